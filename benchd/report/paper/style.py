"""How a report looks. One column of a page, dark on white; on paper A4 with page numbers."""

from benchd.report.palette import CAUTION, CURVE, GRID, INK, MUTED, PAPER, RULE

STYLE = f"""
:root {{ color-scheme: light; }}
* {{ box-sizing: border-box; }}
body {{ margin: 0 auto; padding: 2rem 1.25rem 4rem; max-width: 56rem; background: {PAPER};
  color: {INK}; font: 15px/1.45 "DejaVu Sans", Verdana, "Helvetica Neue", Arial, sans-serif; }}
header {{ border-bottom: 3px solid {INK}; padding-bottom: .75rem; margin-bottom: 1.25rem; }}
h1 {{ font-size: 1.7rem; line-height: 1.2; margin: 0 0 .3rem; overflow-wrap: anywhere; }}
h2 {{ font-size: 1.25rem; margin: 2.4rem 0 .6rem; padding-bottom: .25rem;
  border-bottom: 1px solid {RULE}; overflow-wrap: anywhere; }}
h3 {{ font-size: 1rem; margin: 1.5rem 0 .4rem; }}
h4 {{ font-size: .92rem; margin: 1.1rem 0 .3rem; font-weight: 600; }}
p {{ margin: .4rem 0; overflow-wrap: anywhere; }}
.said {{ color: {MUTED}; }}
dl {{ display: grid; grid-template-columns: minmax(6rem, max-content) 1fr; gap: .2rem 1rem;
  margin: .5rem 0; }}
dt {{ color: {MUTED}; }}
dd {{ margin: 0; overflow-wrap: anywhere; }}
table {{ border-collapse: collapse; width: 100%; margin: .4rem 0 .8rem; font-size: .9rem; }}
th {{ text-align: left; color: {MUTED}; font-weight: 600; border-bottom: 1.5px solid {RULE}; }}
th, td {{ padding: .28rem .7rem .28rem 0; vertical-align: top; overflow-wrap: break-word; }}
table {{ font-variant-numeric: tabular-nums; }}
tbody tr {{ border-bottom: 1px solid {GRID}; }}
td.number, th.number {{ text-align: right; }}
table.small {{ font-size: .78rem; }}
code {{ font-family: "DejaVu Sans Mono", Menlo, Consolas, monospace; font-size: .86em;
  overflow-wrap: anywhere; }}
strong.pass::before {{ content: "\\2713\\00a0"; }}
strong.fail::before {{ content: "\\2717\\00a0"; }}
strong.open::before {{ content: "?\\00a0"; }}
strong.pass {{ color: #1d6a33; }}
strong.fail {{ color: {CAUTION}; }}
strong.open {{ color: #7a6013; }}
figure {{ margin: .8rem 0; border: 1px solid {GRID}; }}
figure svg {{ display: block; width: 100%; height: auto; }}
section.cautions {{ border: 2px solid {CAUTION}; padding: 0 1rem .6rem; margin-top: 2.4rem; }}
section.cautions h2 {{ border: 0; margin: .8rem 0 .2rem; color: {CAUTION}; }}
section.cautions li {{ margin: .25rem 0; }}
footer {{ margin-top: 2.5rem; padding-top: .6rem; border-top: 1px solid {RULE}; color: {MUTED};
  font-size: .82rem; }}
a {{ color: {CURVE}; }}
@page {{ size: A4; margin: 16mm 15mm 18mm;
  @bottom-right {{ content: counter(page) " / " counter(pages); font-size: 8pt;
    color: {MUTED}; }} }}
@media print {{
  body {{ max-width: none; padding: 0; font-size: 9.5pt; }}
  h2, h3, h4 {{ break-after: avoid; }}
  figure, tr, section.cautions, dl {{ break-inside: avoid; }}
  thead {{ display: table-header-group; }}
  article + article {{ break-before: page; }}
}}
"""
