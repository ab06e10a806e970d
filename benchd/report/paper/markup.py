"""HTML elements as text. Whatever comes from elsewhere is escaped here and nowhere else."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape


class Markup(str):
    """Text that is HTML already."""

    __slots__ = ()


Child = str | Markup | None
_EMPTY = frozenset({"meta", "br", "hr"})


def text(value: object) -> Markup:
    """Any value as text of a page: no sign of it is read as HTML, and none is unprintable."""
    shown = str(value)
    plain = "".join(sign if sign.isprintable() or sign == "\n" else "\ufffd" for sign in shown)
    return Markup(escape(plain, quote=True))


def element(name: str, /, *children: Child, **attributes: str) -> Markup:
    """`<name attribute="...">children</name>`; children that are None are left out.

    A trailing underscore of an attribute's name is taken off: `class_`.
    """
    given = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{text(value)}"' for key, value in attributes.items()
    )
    if name in _EMPTY:
        return Markup(f"<{name}{given}>")
    return Markup(f"<{name}{given}>{joined(children)}</{name}>")


def joined(children: Iterable[Child]) -> Markup:
    """Children one after the other."""
    found = (one if isinstance(one, Markup) else text(one) for one in children if one is not None)
    return Markup("".join(found))


def table(
    headings: Sequence[str], rows: Iterable[Sequence[Child]], *, class_: str = "", numbers: str = ""
) -> Markup:
    """A table with a head; without rows it is left out, and so is a column that holds nothing.

    numbers: the columns, counted from 0, that hold numbers and stand to the right: "1 3".
    """
    found = [list(row) for row in rows]
    right = {int(one) for one in numbers.split()}
    kept = [at for at in range(len(headings)) if any(row[at] for row in found)]
    body = [element("tr", *(_cell("td", row[at], at in right) for at in kept)) for row in found]
    if not body:
        return Markup()
    head = element("tr", *(_cell("th", headings[at], at in right) for at in kept))
    marks = {"class": class_} if class_ else {}
    return element("table", element("thead", head), element("tbody", *lined(body)), **marks)


def lined(children: Iterable[Markup]) -> list[Markup]:
    """Each child on a line of its own, so that two reports can be held side by side."""
    return [Markup(f"\n{one}") for one in children]


def _cell(name: str, child: Child, is_number: bool) -> Markup:
    marks = {"class": "number"} if is_number else {}
    if name == "th":
        marks["scope"] = "col"
    return element(name, child, **marks)


def facts(rows: Iterable[tuple[str, Child]]) -> Markup:
    """Names and what is said of each."""
    pairs = [
        Markup(element("dt", name) + element("dd", said)) for name, said in rows if said is not None
    ]
    return element("dl", *lined(pairs)) if pairs else Markup()
