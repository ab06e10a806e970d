"""Commands that change something, and the errors a person can get."""

from __future__ import annotations

import json
import socket
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from benchd.cli.typed_times import read_when
from benchd.errors import UserError
from benchd.job_request import JobRequest, RecipeSource

JOB = "job-0000000000000001"


NO_DAEMON = (
    "Start one: benchd serve --bench FILE. If one was killed, a source may still be on: "
    "benchd rf-off"
)


def test_without_a_daemon_every_command_says_how_to_start_one(benchd: Any) -> None:
    with socket.socket() as held:  # bound but not listening: nobody answers, nobody else can
        held.bind(("127.0.0.1", 0))
        url = f"http://127.0.0.1:{held.getsockname()[1]}"
        for command in (
            ["jobs"], ["queue", "return-loss"], ["watch"], ["watch", JOB], ["ready", JOB],
            ["withdraw", JOB], ["check", "return-loss"], ["instruments"], ["captures"],
            ["results"], ["recipes"], ["reduce", JOB], ["export", JOB], ["plot", JOB],
        ):  # fmt: skip
            outcome = benchd(*command, "--daemon", url)
            expected = f"No daemon answers at {url}. {NO_DAEMON}\n"
            assert (outcome.code, outcome.out, outcome.err) == (1, "", expected)


def test_the_usual_address_is_named(benchd: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    import httpx

    def nobody(*_: Any, **__: Any) -> httpx.Response:
        raise httpx.ConnectError("refused")

    monkeypatch.setattr(httpx.HTTPTransport, "handle_request", nobody)
    assert benchd("jobs").err == (f"No daemon answers at http://127.0.0.1:8520. {NO_DAEMON}\n")


def test_something_else_on_the_port_is_not_taken_for_a_daemon(benchd: Any) -> None:
    import http.server
    import threading

    class Other(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.end_headers()
            self.wfile.write(b"<html>hello</html>")

        def log_message(self, *_: Any) -> None:
            pass

    with http.server.HTTPServer(("127.0.0.1", 0), Other) as server:
        thread = threading.Thread(target=server.handle_request)
        thread.start()
        url = f"http://127.0.0.1:{server.server_port}"
        outcome = benchd("jobs", "--daemon", url)
        thread.join(10)
    assert outcome.err == (
        f"What answers at {url} is not a benchd daemon (HTTP 200). "
        "Give the daemon's address with --daemon or in BENCHD_DAEMON.\n"
    )


def test_a_recipe_is_queued_with_its_parameters(api: Any, benchd: Any) -> None:
    outcome = benchd(
        "queue", "return-loss", "-p", "antenna=dipole r3", "-p", "centre = 1.7 GHz",
        "--priority", "3", api=api,
    )  # fmt: skip
    assert (outcome.code, outcome.out) == (
        0,
        f"{JOB} queued: return-loss, 4 steps, about 38 s.\n",
    )
    _, source, arguments, request = api.desk.orders[0]
    assert (source, arguments, request) == (
        RecipeSource("return-loss"), {"antenna": "dipole r3", "centre": "1.7 GHz"}, JobRequest(3),
    )  # fmt: skip


def test_a_recipe_file_is_sent_whole(api: Any, benchd: Any, tmp_path: Path) -> None:
    file = tmp_path / "mine.yaml"
    file.write_text("recipe: mine # größer\n", encoding="utf-8")
    assert benchd("queue", str(file), api=api).code == 0
    source = RecipeSource(text="recipe: mine # größer\n", file="mine.yaml")
    assert api.desk.orders[0][:2] == ("queue", source)


def test_a_recipe_file_that_is_not_there(api: Any, benchd: Any, tmp_path: Path) -> None:
    outcome = benchd("queue", str(tmp_path / "none.yaml"), api=api)
    assert outcome.code == 1
    assert outcome.err.startswith("cannot read the recipe file: ")
    assert api.desk.orders == []


def test_a_broken_recipe_file_shows_the_line(api: Any, benchd: Any, tmp_path: Path) -> None:
    file = tmp_path / "mine.yaml"
    file.write_text("nonsense", encoding="utf-8")
    outcome = benchd("check", str(file), api=api)
    assert (outcome.code, outcome.err) == (
        1, 'mine.yaml:3:5: steps[0]: unknown step "capure", did you mean "capture"?\n',
    )  # fmt: skip


def test_what_could_damage_something_is_refused_with_advice(api: Any, benchd: Any) -> None:
    outcome = benchd("queue", "return-loss", "-p", "level=30 dBm", api=api)
    assert (outcome.code, outcome.out, outcome.err) == (
        1,
        "",
        "step 2: 30 dBm would reach the coupler, which takes 20 dBm. "
        "Set the level to 10 dBm or less.\n",
    )


@pytest.mark.parametrize(
    ("pairs", "message"),
    [
        (["centre"], '-p: "centre" is not NAME=VALUE.'),
        (["=5"], '-p: "=5" is not NAME=VALUE.'),
        (["a=1", "a=2"], '-p: "a" is given twice.'),
    ],
)
def test_a_parameter_that_cannot_be_read(
    api: Any, benchd: Any, pairs: list[str], message: str
) -> None:
    options = [part for pair in pairs for part in ("-p", pair)]
    outcome = benchd("queue", "return-loss", *options, api=api)
    assert (outcome.code, outcome.err) == (1, message + "\n")


def test_check_prints_the_worksheet_and_queues_nothing(api: Any, benchd: Any, fakes: Any) -> None:
    from benchd.recipe import render_worksheet

    outcome = benchd("check", "return-loss", "-p", "antenna=yagi r2", api=api)
    sheet = fakes.worksheet("yagi r2")
    assert (outcome.code, outcome.out) == (0, render_worksheet(sheet))
    assert api.desk.rows == {}
    as_json = json.loads(benchd("check", "return-loss", "--json", api=api).out)
    assert as_json["steps"][1]["levels"][0]["limit_dbm"] == 30.0


def test_ready_answers_the_one_job_that_asks(api: Any, benchd: Any) -> None:
    none = benchd("ready", api=api)
    assert (none.code, none.err) == (
        1, "no job asks for your hands now. benchd jobs shows what each needs.\n",
    )  # fmt: skip
    api.desk.add(JOB, "needs-hands")
    outcome = benchd("ready", api=api)
    assert (outcome.code, outcome.out) == (0, f"{JOB} goes on.\n")
    assert api.desk.rows[JOB].state == "running"
    assert benchd("ready", JOB, api=api).err == f"{JOB} does not wait for a person.\n"


def test_ready_with_its_step_answers_no_other_request(api: Any, benchd: Any) -> None:
    api.desk.add(JOB, "needs-hands", hands={"ask": "Fit the short.", "step": 4})
    twice = benchd("ready", JOB, "--step", "3", api=api)
    assert (twice.code, twice.err) == (1, f"{JOB} asks for something else now.\n")
    assert api.desk.rows[JOB].state == "needs-hands"
    assert f"Then: benchd ready {JOB} --step 4" in " ".join(benchd("jobs", api=api).out.split())
    assert benchd("ready", JOB, "--step", "4", api=api).code == 0


def test_a_look_of_a_trim_session_is_answered_in_the_session(api: Any, benchd: Any) -> None:
    hands = {"ask": "Look 2 at the dipole.", "step": 6, "look": "button"}
    api.desk.add(JOB, "needs-hands", hands=hands)
    told = " ".join(benchd("jobs", api=api).out.split())
    assert f"Then: benchd trim --job {JOB}" in told
    assert "benchd ready" not in told


@pytest.mark.parametrize("job", ["../captures", "a\nb", "a/../b", "", "job?x=1", "job 1", "ä"])
@pytest.mark.parametrize("verb", ["ready", "withdraw", "reduce"])
def test_an_id_that_none_can_be_asks_for_no_other_address(
    api: Any, benchd: Any, verb: str, job: str
) -> None:
    api.desk.add(JOB, "needs-hands")
    outcome = benchd(verb, "--", job, api=api)
    assert outcome.code == 1
    assert "holds an id that none can be." in outcome.err
    assert "Ids hold letters, digits and hyphens" in outcome.err
    assert api.desk.rows[JOB].state == "needs-hands"


def test_ready_does_not_guess_between_two_jobs(api: Any, benchd: Any) -> None:
    api.desk.add("job-0000000000000001", "needs-hands")
    api.desk.add("job-0000000000000002", "needs-hands")
    outcome = benchd("ready", api=api)
    assert outcome.err.startswith("2 jobs ask for your hands now.")
    assert {row.state for row in api.desk.rows.values()} == {"needs-hands"}


def test_withdraw(api: Any, benchd: Any) -> None:
    api.desk.add(JOB)
    assert benchd("withdraw", JOB, api=api).out == f"{JOB} is withdrawn.\n"
    assert benchd("withdraw", JOB, api=api).code == 1
    assert benchd("withdraw", "job-9", api=api).err == (
        'there is no job "job-9". benchd jobs lists them.\n'
    )


def test_a_window_is_sent_with_its_offset(api: Any, benchd: Any) -> None:
    benchd(
        "queue", "return-loss", "--not-before", "2026-03-01T22:00+01:00",
        "--finish-by", "2026-03-02 05:00Z", api=api,
    )  # fmt: skip
    assert api.desk.orders[0][3] == JobRequest(
        0, datetime(2026, 3, 1, 21, tzinfo=UTC), datetime(2026, 3, 2, 5, tzinfo=UTC)
    )


@pytest.mark.parametrize(
    ("zone", "text", "after", "expected"),
    [
        ("UTC", "22:30", "2026-03-01T21:00Z", "2026-03-01T22:30Z"),
        ("UTC", "22:30", "2026-03-01T22:30Z", "2026-03-02T22:30Z"),
        ("UTC", "6:05", "2026-03-01T21:00Z", "2026-03-02T06:05Z"),
        ("UTC", "2026-07-01 06:00", "2026-03-01T21:00Z", "2026-07-01T06:00Z"),
        # Summer time begins on 29 March 2026 at 01:00 UTC (Directive 2000/84/EC, article 2), so
        # 06:00 on that morning is one hour earlier in UTC than the morning before.
        ("Europe/Berlin", "06:00", "2026-03-27T12:00Z", "2026-03-28T05:00Z"),
        ("Europe/Berlin", "06:00", "2026-03-28T12:00Z", "2026-03-29T04:00Z"),
        ("Europe/Berlin", "2026-07-01 06:00", "2026-03-01T21:00Z", "2026-07-01T04:00Z"),
    ],
)
def test_times_are_read_in_the_zone_of_the_bench_with_the_offset_of_that_day(
    zone: str, text: str, after: str, expected: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    import time

    monkeypatch.setenv("TZ", "Asia/Tokyo")
    time.tzset()
    try:
        moment = read_when(
            text, "--not-before", after=datetime.fromisoformat(after), zone=ZoneInfo(zone)
        )
    finally:
        monkeypatch.undo()
        time.tzset()
    assert moment.astimezone(UTC) == datetime.fromisoformat(expected)
    assert moment.utcoffset() is not None


@pytest.mark.parametrize("text", ["tonight", "25:00", "22:61", "2026-13-01 10:00", ""])
def test_a_time_that_cannot_be_read(text: str) -> None:
    with pytest.raises(UserError, match=r"--not-before: .*, such as \"22:30\""):
        read_when(text, "--not-before", after=datetime(2026, 3, 1, tzinfo=UTC), zone=UTC)
