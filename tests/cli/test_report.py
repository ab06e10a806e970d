"""`benchd report`: one file for a customer that needs nothing beside it, the same every time."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from benchd.cli.report_parts import night_of
from benchd.errors import UserError
from benchd.moments import zone_named

JOB = "job-0000000000000001"
HOSTILE = "\"><script>alert(1)</script> & $\\frac$ {x} '\u202e"


class Page(HTMLParser):
    """What a browser would make of it: elements with their attributes, and the text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self._inside: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag == "style":
            self._inside.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag == "style" and self._inside:
            self._inside.pop()

    def handle_data(self, data: str) -> None:
        if not self._inside:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def _report(api: Any, benchd: Any, tmp_path: Path, what: str = JOB) -> str:
    outcome = benchd("report", what, "--out", str(tmp_path / "r.html"), api=api)
    assert (outcome.code, outcome.err) == (0, "")
    assert outcome.out == f"{tmp_path / 'r.html'}\n"
    return (tmp_path / "r.html").read_text(encoding="utf-8")


def _done(api: Any, fakes: Any, **more: Any) -> None:
    times = {"started_at": fakes.START, "ended_at": fakes.START.replace(second=9), **more}
    api.desk.add(JOB, "done", message="done", **times)


def test_a_job_s_report_says_what_on_what_when_how_and_with_what(
    api: Any, benchd: Any, fakes: Any, tmp_path: Path
) -> None:
    _done(api, fakes)
    text = Page(_report(api, benchd, tmp_path)).text
    for words in (
        "Return loss of one antenna (recipe return-loss)",
        "On what dipole r3",
        "When 2026-03-01 21:04:05 UTC to 2026-03-01 21:04:09 UTC (4.0 s)",
        "stepped sweep from 1.45 GHz to 1.95 GHz, 51 points, source at -10 dBm",
        "route middle, position antenna",
        "1.6837 GHz ± 0.0021 GHz",
        "20.0 dB, 18.4 to 21.9 dB",
        "at least 10 dB at 1.7 GHz",
        "Where the uncertainty comes from",
        "directivity 35 dB u-shaped 1.09 dB 100.0 %",
        "Trim per arm: Cut off half of it, then measure again.",
        "Effective directivity 33.10 to 35.20 dB 1.4 to 2 GHz middle",
        "Instrument analyzer Workshop,Analyzer-6G,0001,1.0",
        "Worksheet feed",
        "The source radiates when the lid is open: keep to your local rules.",
        "RF is off while you work.",
    ):
        assert words in text, words
    assert fakes.capture().level.sha256 in text
    cautions = text.index("These are the cautions of the worksheets.")
    assert text.index("Provenance") < cautions < text.index("The source radiates")


def test_it_asks_for_nothing_from_elsewhere_and_runs_nothing(
    api: Any, benchd: Any, fakes: Any, tmp_path: Path
) -> None:
    _done(api, fakes)
    html = _report(api, benchd, tmp_path)
    page = Page(html)
    assert not {tag for tag, _ in page.tags} & {"script", "link", "img", "iframe", "object", "base"}
    for tag, given in page.tags:
        for key, value in given.items():
            assert not key.startswith("on"), (tag, key)
            if key in ("href", "src", "xlink:href"):
                assert str(value).startswith("#"), (tag, key, value)
    assert "@import" not in html
    assert html.count("url(") == html.count("url(#")
    assert ("meta", "default-src 'none'; style-src 'unsafe-inline'") in [
        (tag, given.get("content")) for tag, given in page.tags
    ]
    ids = [given["id"] for _, given in page.tags if "id" in given]
    assert len(ids) == len(set(ids))


def test_hostile_names_stay_text(api: Any, benchd: Any, fakes: Any, tmp_path: Path) -> None:
    _done(api, fakes, title=HOSTILE)
    api.desk.reduced[JOB] = [
        replace(one, result=replace(one.result, antenna=HOSTILE, note=HOSTILE))
        for one in fakes.records()
    ]
    page = Page(_report(api, benchd, tmp_path))
    assert "script" not in {tag for tag, _ in page.tags}
    assert "alert(1)" in page.text
    assert "\u202e" not in page.text
    assert any("$\\frac$" in words for words in page.words)


_TWICE = """
import sys
from benchd.cli import main
main(["report", sys.argv[1], "--out", sys.argv[2]])
"""


def test_the_same_captures_give_the_same_bytes_on_every_computer(
    api: Any, benchd: Any, fakes: Any, tmp_path: Path
) -> None:
    _done(api, fakes)
    (tmp_path / "matplotlibrc").write_text("lines.linewidth: 9\naxes.grid: False\n")
    homes = (
        {"PYTHONHASHSEED": "1", "TZ": "Pacific/Auckland", "LC_ALL": "C"},
        {"PYTHONHASHSEED": "2", "TZ": "America/New_York", "LC_ALL": "C.UTF-8",
         "MATPLOTLIBRC": str(tmp_path / "matplotlibrc")},
    )  # fmt: skip
    written = []
    for number, home in enumerate(homes):
        path = tmp_path / f"{number}.html"
        command = [sys.executable, "-c", _TWICE, JOB, str(path)]
        environment = {**os.environ, **home, "BENCHD_DAEMON": api.url}
        subprocess.run(command, check=True, env=environment, capture_output=True)
        written.append(path.read_bytes())
    assert written[0] == written[1]


def test_an_antenna_s_report_tells_the_newest_by_each_recipe_and_lists_the_rest(
    api: Any, benchd: Any, fakes: Any, tmp_path: Path
) -> None:
    _done(api, fakes)
    second = JOB[:-1] + "2"
    api.desk.add(second, "done", title="An earlier look", started_at=fakes.START)
    api.desk.reduced[second] = fakes.records(second)
    page = Page(_report(api, benchd, tmp_path, "dipole r3"))
    assert page.text.count("An earlier look") == 1
    assert [given["id"] for tag, given in page.tags if tag == "article"] == ["job-1"]
    assert [given["href"] for tag, given in page.tags if tag == "a"] == ["#job-1"]


def test_a_night_holds_what_began_from_noon_to_noon_in_the_zone_of_the_bench(
    api: Any, benchd: Any, fakes: Any, tmp_path: Path
) -> None:
    api.desk.timezone = "Europe/Vienna"
    _done(api, fakes)
    for number, hour, title in ((2, 10, "In the morning"), (3, 11, "At noon"), (4, 12, "Later")):
        moment = datetime(2026, 3, 2, hour, 0, tzinfo=UTC)
        api.desk.add(
            f"job-000000000000000{number}", "missed", title=title, created_at=moment,
            ended_at=moment, message="could not end in its window",
        )  # fmt: skip
    text = Page(_report(api, benchd, tmp_path, "2026-03-01")).text
    assert "Night of 2026-03-01" in text
    assert "In the morning missed its window" in text
    assert "At noon" not in text
    assert "Later" not in text
    outcome = benchd("report", "2026-03-07", api=api)
    assert outcome.code == 1
    assert outcome.err.startswith("there is no job of the night of 2026-03-07: none began or ended")
    assert benchd("report", "2026-02-30", api=api).err == (
        'report: "2026-02-30" is no date of the calendar.\n'
    )


def test_the_night_when_the_clocks_change_is_an_hour_shorter() -> None:
    begin, end = night_of(datetime(2026, 3, 28).date(), zone_named("Europe/Vienna"))
    assert (end - begin).total_seconds() == 23 * 3600
    with pytest.raises(UserError):
        night_of(datetime.max.date(), UTC)


def test_nobody_of_that_name(api: Any, benchd: Any) -> None:
    outcome = benchd("report", "dipole r4", api=api)
    assert (outcome.code, outcome.out) == (1, "")
    assert outcome.err.startswith('"dipole r4" is no antenna, no job and no night: did you mean')
    assert benchd("report", "job-9", api=api).err == (
        'there is no job "job-9". benchd jobs lists them.\n'
    )


@pytest.mark.needs("pango-view")  # WeasyPrint draws with Pango's libraries
def test_a_report_as_pdf_holds_pages_that_can_be_read(
    api: Any, benchd: Any, fakes: Any, tmp_path: Path
) -> None:
    _done(api, fakes)
    out = tmp_path / "r.pdf"
    outcome = benchd("report", JOB, "--pdf", "--out", str(out), api=api)
    assert (outcome.code, outcome.err, outcome.out) == (0, "", f"{out}\n")
    pages = PdfReader(out).pages
    words = " ".join(" ".join(page.extract_text() for page in pages).split())
    for said in ("dipole r3", "20.0 dB, 18.4 to 21.9 dB", "1.6837 GHz", JOB):
        assert said in words, words
    # A4 in points (ISO 216: 210 mm by 297 mm; a point is 1/72 inch), each page with its number.
    for number, page in enumerate(pages, start=1):
        assert float(page.mediabox.width) == pytest.approx(210 / 25.4 * 72, abs=1.0)
        assert float(page.mediabox.height) == pytest.approx(297 / 25.4 * 72, abs=1.0)
        assert f"{number} / {len(pages)}" in page.extract_text()
    # What stands in the drawn plot is text too.
    assert "Shaded band and ±: 95 % intervals" in words


def test_without_weasyprint_pdf_is_refused_with_what_to_do(
    api: Any, benchd: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    outcome = benchd("report", JOB, "--pdf", "--out", str(tmp_path / "r.pdf"), api=api)
    assert (outcome.code, outcome.out) == (1, "")
    assert outcome.err.startswith("--pdf: PDF needs WeasyPrint, which cannot be loaded: ")
    assert "Install benchd[pdf]" in outcome.err
    assert not (tmp_path / "r.pdf").exists()
