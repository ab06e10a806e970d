"""Requests that mean harm, or are merely wrong, change nothing and get a plain answer."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from benchd.errors import UserError
from benchd.web.server import open_socket
from benchd.web.settings import HttpSettings
from tests.patience import PATIENCE_S

TOKEN = "a-token-of-the-workshop"


async def _raw(port: int, request: bytes, *, end: bool = False) -> bytes:
    """Send bytes as they are and read what comes back until the server closes."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        writer.write(request)
        await writer.drain()
        if end:
            writer.write_eof()
        async with asyncio.timeout(PATIENCE_S):
            return await reader.read()
    except ConnectionResetError:
        return b""
    finally:
        writer.close()


def _status(answer: bytes) -> int:
    return int(answer.split(b" ", 2)[1])


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:8520", "127.0.0.1.evil.example", "localhost@evil.example",
     "localhost/evil", "evil.example#127.0.0.1", "", "[::1", "127.0.0.1:port", "10.0.0.7"],
)  # fmt: skip
async def test_a_name_that_is_not_this_bench_is_turned_away(api: Any, host: str) -> None:
    request = f"GET /api/health HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"
    assert _status(await _raw(api.port, request.encode())) == 403


async def test_two_host_headers_are_turned_away(api: Any) -> None:
    request = (
        b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\nConnection: close\r\n\r\n"
    )
    assert _status(await _raw(api.port, request)) in (400, 403)


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "LOCALHOST:8520", "[::1]:8520"])
async def test_names_of_this_computer_are_let_in(api: Any, host: str) -> None:
    answer = await api.client.get("/api/health", headers={"host": host})
    assert answer.status_code == 200


async def test_a_further_name_is_let_in_where_the_settings_say_so(start: Any) -> None:
    api = await start(names=("bench.example",))
    there = await api.client.get("/api/health", headers={"host": "bench.example:8520"})
    elsewhere = await api.client.get("/api/health", headers={"host": "other.example"})
    assert (there.status_code, elsewhere.status_code) == (200, 403)


@pytest.mark.parametrize(
    "headers",
    [{"origin": "https://evil.example"}, {"origin": "null"}, {"origin": "http://127.0.0.1:1"},
     {"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"}],
    ids=str,
)  # fmt: skip
async def test_a_page_of_another_site_cannot_answer_ready(
    api: Any, headers: dict[str, str]
) -> None:
    job = "job-0000000000000001"
    api.desk.add(job, "needs-hands")
    answer = await api.client.post(f"/api/jobs/{job}/ready", headers=headers)
    assert (answer.status_code, api.desk.rows[job].state) == (403, "needs-hands")


async def test_a_page_of_the_bench_itself_can(api: Any) -> None:
    job = "job-0000000000000001"
    api.desk.add(job, "needs-hands")
    own = {"origin": f"http://127.0.0.1:{api.port}", "sec-fetch-site": "same-origin"}
    assert (await api.client.post(f"/api/jobs/{job}/ready", headers=own)).status_code == 200


async def test_a_form_sent_as_plain_text_is_not_read_as_json(api: Any) -> None:
    answer = await api.client.post(
        "/api/jobs", content='{"recipe": "return-loss"}', headers={"content-type": "text/plain"}
    )
    assert (answer.status_code, api.desk.rows) == (422, {})


async def test_with_a_token_only_its_holder_is_let_in(start: Any) -> None:
    api = await start(token=TOKEN)
    wrong = (
        {"authorization": ""},
        {"authorization": "Bearer"},
        {"authorization": f"Bearer {TOKEN}x"},
        {"authorization": f"Basic {TOKEN}"},
        {"authorization": "Bearer \xff"},
    )
    for headers in wrong:
        encoded = {key: value.encode("latin-1") for key, value in headers.items()}
        answer = await api.client.get("/api/health", headers=encoded)
        assert (answer.status_code, answer.headers["www-authenticate"]) == (401, "Bearer")
    assert (await api.client.get("/api/health")).status_code == 200


def test_an_open_address_without_a_token_is_refused() -> None:
    with pytest.raises(UserError, match=r"HTTP would listen on 0\.0\.0\.0, .* without a token"):
        HttpSettings(host="0.0.0.0")


def test_a_short_token_is_refused() -> None:
    with pytest.raises(UserError, match="the HTTP token has 5 characters, at least 16 are needed"):
        HttpSettings(token="short")


async def test_a_taken_port_is_named_with_what_to_do(api: Any) -> None:
    with pytest.raises(
        UserError, match=rf"cannot listen on http://127\.0\.0\.1:{api.port}.*--http"
    ):
        open_socket(HttpSettings(port=api.port))


async def test_a_huge_body_is_refused_before_it_is_sent(api: Any) -> None:
    head = (
        b"POST /api/jobs HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
        b"Content-Length: 1099511627776\r\n\r\n"
    )
    assert _status(await _raw(api.port, head)) == 413


async def test_a_huge_body_in_pieces_is_cut_off(start: Any) -> None:
    api = await start(body_limit_bytes=1000)
    head = b"POST /api/jobs HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n"
    answer = await _raw(api.port, head + b"3e8\r\n" + b"x" * 1000 + b"\r\n" + b"1\r\nx\r\n")
    assert _status(answer) == 413
    assert b"the body is longer than 1000 bytes." in answer


async def test_a_body_that_never_ends_is_given_up(start: Any) -> None:
    api = await start(body_timeout_s=0.05)
    head = b"POST /api/jobs HTTP/1.1\r\nHost: localhost\r\nContent-Length: 10\r\n\r\nab"
    assert _status(await _raw(api.port, head)) == 408


async def test_endless_headers_are_cut_off(api: Any) -> None:
    request = b"GET / HTTP/1.1\r\nHost: localhost\r\n" + b"X-Filler: " + b"y" * 40_000
    assert _status(await _raw(api.port, request)) == 400


@pytest.mark.parametrize(
    ("body", "status", "message"),
    [
        ("{", 400, "the body is not JSON"),
        ("[" * 50_000, 400, ""),
        ("[]", 422, "Input should be a valid dictionary"),
        ("{}", 422, 'give either "recipe", a name, or "text", a whole recipe'),
        ('{"recipe": "a", "text": "b"}', 422, 'give either "recipe"'),
        ('{"recipe": "a", "arguments": {"x": 5}}', 422, "arguments.x: Input should be"),
        ('{"recipe": "a", "arguments": {"x": "1\\n*RST"}}', 422, "arguments.x: String should"),
        ('{"recipe": "a", "not_befor": 1}', 422, "not_befor: Extra inputs are not permitted"),
        ('{"recipe": "a", "not_before": "2026-03-01T22:00:00"}', 422, "should have timezone info"),
        ('{"recipe": "a", "priority": 1e400}', 422, "priority"),
        ('{"recipe": "a", "priority": "5"}', 422, "priority"),
        ('{"recipe": "a", "priority": ' + "9" * 5000 + "}", 400, ""),
        ('{"recipe": "a", "not_before": 1}', 422, "not_before: a time is written as"),
        ('{"recipe": "a", "not_before": "1"}', 422, "not_before: a time is written as"),
        ('{"recipe": "a", "not_before": "0001-01-01T00:00Z"}', 422, "from 1970 to 9998"),
        ('{"recipe": "a", "finish_by": "9999-12-31T23:59-23:59"}', 422, "from 1970 to 9998"),
        ('{"recipe": "a", "finish_by": "2026-02-30T00:00Z"}', 422, "finish_by"),
        ('{"recipe": "a", "arguments": {"x": "\\ud800"}}', 422, "arguments.x"),
        ('{"recipe": "\\ud800"}', 422, "recipe"),
        ('{"text": "\\udfff"}', 422, "text"),
        ('{"recipe": "a", "\\ud800": 1}', 422, ""),
        ('{"recipe": "a", "not_before": "2026-03-02T00:00Z", "finish_by": "2026-03-01T00:00Z"}',
         422, '"finish_by" must come after "not_before"'),
        ('{"recipe": "../../etc/passwd"}', 422, "recipe: String should match pattern"),
        ('{"recipe": "..\\\\secret"}', 422, "recipe: String should match pattern"),
        ('{"recipe": "/etc/passwd"}', 422, "recipe: String should match pattern"),
        ('{"text": "x", "file": "../x.yaml"}', 422, "file: String should match pattern"),
        ('\xff\xfe', 400, ""),
    ],
)  # fmt: skip
async def test_a_wrong_body_is_explained(api: Any, body: str, status: int, message: str) -> None:
    answer = await api.client.post(
        "/api/jobs", content=body.encode("latin-1"), headers={"content-type": "application/json"}
    )
    assert answer.status_code == status
    assert message in answer.json()["message"]
    assert set(answer.json()) == {"family", "where", "message", "advice"}
    assert api.desk.rows == {}


@pytest.mark.parametrize(
    "path",
    ["/api/jobs/..%2f..%2fetc%2fpasswd", "/api/jobs/%2e%2e", "/api/captures/cap-1%00",
     "/api/captures/CAP-1", "/api/../etc/passwd", "//etc/passwd", "/api/jobs/job-1/../../x",
     "/api/captures/" + "a" * 500, "/docs", "/redoc", "/api/jobs/"],
)  # fmt: skip
async def test_strange_paths_lead_nowhere(api: Any, path: str) -> None:
    request = f"GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"
    answer = await _raw(api.port, request.encode())
    assert _status(answer) == 404
    assert b'"family": ' in answer


async def test_a_wrong_method_is_explained(api: Any) -> None:
    answer = await api.client.delete("/api/jobs")
    assert (answer.status_code, answer.json()["message"]) == (
        405,
        "/api/jobs does not take DELETE.",
    )


@pytest.mark.parametrize(
    "limit",
    ["0", "-1", "10001", "many", "1_0", "١٠", "9" * 5000, "1e1", "nan", ""],
)
async def test_a_limit_out_of_bounds_is_refused(api: Any, limit: str) -> None:
    answer = await api.client.get("/api/results", params={"limit": limit})
    assert answer.status_code == 422
    assert answer.json()["message"].startswith("limit: ")


@pytest.mark.parametrize(
    ("path", "listed"),
    [
        ("/api/captures?role=nope", "'open', 'short', 'load', 'thru', 'empty', 'reference' or"),
        ("/api/captures?role=%ff", "'open', 'short'"),
        ("/api/captures?role=", "'open', 'short'"),
        ("/api/jobs?state=nope", "'waiting', 'running', 'needs-hands'"),
        ("/api/jobs?state=running&state=%ff", "'waiting', 'running', 'needs-hands'"),
    ],
)
async def test_a_filter_that_names_nothing_is_refused_with_what_there_is(
    api: Any, path: str, listed: str
) -> None:
    answer = await api.client.get(path)
    assert (answer.status_code, answer.json()["family"]) == (422, "wrong-input")
    assert listed in answer.json()["message"]


@pytest.mark.parametrize("text", ["0" * 5000, "1" * 30, "1_0", "%D9%A1", "-0", "1e3"])
async def test_a_last_event_id_is_written_in_ten_digits(api: Any, text: str) -> None:
    assert (await api.client.get(f"/api/events?after={text}")).status_code == 400


@pytest.mark.parametrize("length", ["9" * 400, "1_0", "+5", "-1", "0x5"])
async def test_a_content_length_is_written_in_ten_digits(api: Any, length: str) -> None:
    head = f"POST /api/jobs HTTP/1.1\r\nHost: localhost\r\nContent-Length: {length}\r\n\r\n"
    assert _status(await _raw(api.port, head.encode())) in (400, 413)


@pytest.mark.parametrize("step", ["1_0", "%D9%A1", "9" * 5000, "-1", "1.0"])
async def test_a_step_is_written_in_ten_digits(api: Any, step: str) -> None:
    job = "job-0000000000000001"
    api.desk.add(job, "needs-hands")
    answer = await api.client.post(f"/api/jobs/{job}/ready?step={step}")
    assert (answer.status_code, api.desk.rows[job].state) == (422, "needs-hands")


@pytest.mark.parametrize("path", ["/%ff", "/api/jobs/%ff", "/api/results?quantity=%ff&job=%00"])
async def test_bytes_that_are_no_text_lead_nowhere(api: Any, path: str) -> None:
    answer = await _raw(
        api.port, f"GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode()
    )
    assert _status(answer) in (200, 404, 422)


async def test_every_answer_forbids_framing_sniffing_and_caching(api: Any) -> None:
    for path in ("/", "/api/health", "/api/jobs/none", "/nowhere"):
        headers = (await api.client.get(path)).headers
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"
        assert headers["content-security-policy"] == "default-src 'none'; frame-ancestors 'none'"
        assert "server" not in headers
