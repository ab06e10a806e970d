"""A figure as SVG markup inside a page: no header, no date, and ids that no other picture has."""

from __future__ import annotations

import hashlib
import io
import re

from matplotlib.figure import Figure

_ID = re.compile(r'(\bid="|url\(#|href="#)([^"()]+)')
_FIXED_SIZE = re.compile(r' (?:width|height)="[0-9.]+pt"')


def as_markup(figure: Figure, key: str) -> str:
    """One `<svg>` element. Call inside `figure.style()`.

    key: tells the picture from all others of the page. The same figure and key give the same text.
    """
    out = io.StringIO()
    nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    figure.savefig(out, format="svg", metadata=nothing)
    _, start, rest = out.getvalue().partition("<svg ")
    mark = hashlib.sha256(key.encode()).hexdigest()[:8]
    text = _ID.sub(rf"\g<1>p{mark}-\g<2>", start + rest)
    # The page decides how wide it is; the view box keeps its shape.
    text = _FIXED_SIZE.sub("", text, count=2)
    text = "".join(sign if sign.isprintable() or sign == "\n" else "\ufffd" for sign in text)
    return text.rstrip("\n").replace("<svg ", '<svg role="img" ', 1)
