"""The files of the page: to whom, as what, and with which policy."""

from __future__ import annotations

import gzip
import re
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

from benchd.errors import UnknownId
from benchd.web.page import FOLDER, POLICY, PageFiles

BROWSER = {"accept": "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"}
TOKEN = "a-token-of-the-workshop"
FILES = sorted(str(path.relative_to(FOLDER)) for path in FOLDER.rglob("*.*"))


async def test_a_browser_gets_the_page_and_a_program_the_list(api: Any) -> None:
    page = await api.client.get("/", headers=BROWSER)
    assert page.status_code == 200
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert page.text == (FOLDER / "index.html").read_text()
    assert page.headers["content-security-policy"] == POLICY
    assert "accept" in page.headers["vary"]
    assert (await api.client.get("/")).json()["name"] == "benchd"


@pytest.mark.parametrize("name", FILES)
async def test_each_file_is_served_as_what_it_is(api: Any, name: str) -> None:
    answer = await api.client.get(f"/page/{name}")
    types = {"js": "text/javascript", "css": "text/css", "html": "text/html", "svg": "image/svg"}
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith(types[name.rpartition(".")[2]])
    assert answer.content == (FOLDER / name).read_bytes()
    assert answer.headers.get_list("content-security-policy") == [POLICY]
    assert answer.headers.get_list("cache-control") == ["no-cache"]
    assert answer.headers["x-content-type-options"] == "nosniff"


async def test_a_file_that_the_browser_has_is_not_sent_again(api: Any) -> None:
    first = await api.client.get("/page/app.js")
    again = await api.client.get("/page/app.js", headers={"if-none-match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")


def test_a_file_that_has_changed_is_read_again(tmp_path: Path) -> None:
    from starlette.requests import Request

    files = PageFiles(tmp_path)
    request = Request({"type": "http", "headers": []})
    (tmp_path / "app.js").write_text("one")
    assert files.answer("app.js", request).body == b"one"
    (tmp_path / "app.js").write_text("longer")
    assert files.answer("app.js", request).body == b"longer"


@pytest.mark.parametrize(
    "name",
    ["none.js", "..%2fpage.py", "../page.py", "lib/..%2f..%2fpage.py", "lib", "", ".hidden.js",
     "views//now.js", "/etc/passwd", "%2fetc%2fpasswd", "page.py", "lib/%00.js", "x" * 4000],
)  # fmt: skip
async def test_a_name_never_leads_out_of_the_folder(api: Any, name: str) -> None:
    answer = await api.client.get(f"/page/{name}")
    assert (answer.status_code, answer.json()["family"]) == (404, "not-found")


async def test_the_page_comes_without_a_token_and_nothing_else_does(start: Any) -> None:
    api = await start(token=TOKEN)
    api.client.headers.pop("authorization")
    assert (await api.client.get("/", headers=BROWSER)).status_code == 200
    assert (await api.client.get("/page/app.js")).status_code == 200
    refused = [
        await api.client.get("/"),
        await api.client.get("/api/rf", headers=BROWSER),
        await api.client.get("/api/events", headers=BROWSER),
        await api.client.get("/page", headers=BROWSER),
        await api.client.post("/page/app.js", headers=BROWSER),
        await api.client.post("/", headers=BROWSER),
    ]
    assert [answer.status_code for answer in refused] == [401] * 6
    other = await api.client.get("/", headers={**BROWSER, "host": "evil.example"})
    assert other.status_code == 403


async def test_the_plotting_script_comes_packed_and_is_kept_for_long(api: Any) -> None:
    found = find_spec("plotly")
    assert found is not None
    assert found.origin is not None
    script = (Path(found.origin).parent / "package_data" / "plotly.min.js").read_bytes()
    answer = await api.client.get("/page/plotly.js", headers={"accept-encoding": "gzip"})
    assert answer.headers["content-encoding"] == "gzip"
    assert int(answer.headers["content-length"]) < len(script) / 2
    assert answer.content == script
    assert answer.headers.get_list("cache-control") == ["max-age=2592000"]
    plain = await api.client.get("/page/plotly.js", headers={"accept-encoding": "identity"})
    assert plain.content == script


def test_without_the_package_it_is_said_how_to_install_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from starlette.requests import Request

    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(UnknownId, match=r"is not installed.*pip install 'benchd\[page\]'"):
        PageFiles().answer("plotly.js", Request({"type": "http", "headers": []}))


def test_the_first_view_is_small() -> None:
    """All of the page together: index, style, frame, helpers and every view."""
    packed = sum(len(gzip.compress((FOLDER / name).read_bytes())) for name in FILES)
    assert packed < 200_000


def test_nothing_in_the_page_points_to_another_host_or_runs_text_as_code() -> None:
    for name in FILES:
        text = (FOLDER / name).read_text()
        hosts = set(re.findall(r"(?:https?:)?//([a-z0-9.-]+\.[a-z]{2,})", text))
        assert hosts <= {"www.w3.org"}, name  # the name of a vocabulary, asked for by nobody
        found = re.findall(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|eval\(", text)
        assert found == [], name
