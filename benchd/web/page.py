"""The page that a person opens in a browser: its files, and the plotting script from its package.

The files hold nothing secret and come without a token, since somebody who has none yet must be able
to enter it. Whatever the page shows it asks the API for.
"""

from __future__ import annotations

import gzip
import hashlib
import importlib.util
import re
from dataclasses import dataclass
from pathlib import Path

from fastapi import FastAPI, Request
from fastapi.concurrency import run_in_threadpool
from starlette.responses import Response

from benchd.errors import UnknownId

FOLDER = Path(__file__).with_name("page")
PLOT_SCRIPT = "plotly.js"
TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}

# The plotting script writes styles into its elements, so these need 'unsafe-inline'; scripts
# do not. It makes pictures to save from blob: and data: addresses.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; connect-src 'self'; font-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
ASK_AGAIN = "no-cache"
"""A browser keeps the file and asks whether it has changed."""

KEEP_LONG = "max-age=2592000"
"""30 days, in seconds: the plotting script is 4.8 MB and changes only with its package."""

# Neither a slash more nor a dot in front: a name never leads out of the folder.
_NAME = re.compile(r"(?:(?:lib|views)/)?[a-z0-9][a-z0-9-]*\.(?:js|css|svg|html)")


@dataclass(frozen=True, slots=True)
class _Kept:
    """A file as it is sent. stamp: time of its last change, ns, and length, bytes."""

    stamp: tuple[int, int]
    body: bytes
    packed: bytes
    tag: str


class PageFiles:
    """Reads the page's files, and keeps them until they change. Its methods block."""

    def __init__(self, folder: Path = FOLDER, plot_script: Path | None = None) -> None:
        """plot_script: where the plotting script lies; by default in its installed package."""
        self._folder = folder
        self._plot_script = plot_script
        self._kept: dict[Path, _Kept] = {}

    def answer(self, name: str, request: Request) -> Response:
        """A file of the page. Raises UnknownId where there is none of that name."""
        if name == PLOT_SCRIPT:
            path, cache = self._plot_path(), KEEP_LONG
        elif _NAME.fullmatch(name):
            path, cache = self._folder / name, ASK_AGAIN
        else:
            raise _no_file(name)
        try:
            kept = self._read(path)
        except OSError:
            raise _no_file(name) from None
        headers = {
            "etag": kept.tag,
            "cache-control": cache,
            "vary": "accept-encoding, accept",
            "content-security-policy": POLICY,
            "cross-origin-resource-policy": "same-origin",
        }
        if request.headers.get("if-none-match") == kept.tag:
            return Response(None, 304, headers)
        if "gzip" in request.headers.get("accept-encoding", ""):
            headers["content-encoding"] = "gzip"
            return Response(kept.packed, 200, headers, TYPES[path.suffix])
        return Response(kept.body, 200, headers, TYPES[path.suffix])

    def _read(self, path: Path) -> _Kept:
        status = path.stat()
        stamp = (status.st_mtime_ns, status.st_size)
        kept = self._kept.get(path)
        if kept is None or kept.stamp != stamp:
            body = path.read_bytes()
            tag = f'"{hashlib.sha256(body).hexdigest()[:20]}"'
            kept = _Kept(stamp, body, gzip.compress(body, mtime=0), tag)
            self._kept[path] = kept
        return kept

    def _plot_path(self) -> Path:
        path = self._plot_script or _installed_plot_script()
        if path is None:
            raise UnknownId(
                "the script that draws plots is not installed",
                where=f"/page/{PLOT_SCRIPT}",
                advice="Install it with: pip install 'benchd[page]'",
            )
        return path


def _no_file(name: str) -> UnknownId:
    return UnknownId(f"the page has no file {name[:100]!r}", where="/page")


def _installed_plot_script() -> Path | None:
    """Found without loading the package, which takes seconds and 64 MB."""
    found = importlib.util.find_spec("plotly")
    if found is None or not found.submodule_search_locations:
        return None
    return Path(found.submodule_search_locations[0]) / "package_data" / "plotly.min.js"


def wants_page(accept: str) -> bool:
    """Whether `/` was asked for by a browser, by its Accept header; programs get the API's list."""
    return "text/html" in accept


def is_page_file(method: str, path: str, accept: str) -> bool:
    """Whether a request is for a file of the page, which needs no token."""
    return method == "GET" and (path.startswith("/page/") or (path == "/" and wants_page(accept)))


def add_page(app: FastAPI, files: PageFiles) -> None:
    """Serve the files under /page/."""

    @app.get("/page/{name:path}", include_in_schema=False)
    async def file(name: str, request: Request) -> Response:
        """A file of the page."""
        return await run_in_threadpool(files.answer, name, request)
