"""The live look with real processes: RF is on only while somebody looks, by the simulator's record.

Times are those of the simulator's record, on the clock that all processes share. That RF goes off
"within 10 s" is held against a generous limit where the daemon itself has to notice; that it is
not off before is measured as it is.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from tests.patience import PATIENCE_S
from tests.system import rigging
from tests.system.live_bench import Bench, Terminal, numbers, slow_way, streamed
from tests.system.rigging import PROGRAM, ending, until

SILENCE_S = 10.0
STUCK = Path(__file__).parent / "stuck_daemon.py"
QUICK = """
recipe: pause
title: A short wait
steps:
  - wait: {for: 0.1 s}
"""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    found = Bench(tmp_path_factory.mktemp("live"))
    with ending(found.simulator):
        yield found
        with ending(found.daemon):
            pass


@pytest.fixture(autouse=True)
def nothing_left(bench: Bench) -> Iterator[None]:
    """Each test begins and ends with RF off and the lid closed."""
    yield
    bench.simulator.do("lid", open=False)
    if bench.live["state"] in ("starting", "on"):
        bench.http.delete("/api/live")
        bench.ended()


def test_sweeps_are_normalised_and_their_spread_is_told(bench: Bench) -> None:
    viewer = bench.started()
    with bench.looking(viewer):
        found = streamed(bench, lambda seen: len(numbers(seen)) >= 5)
    assert found[0][0] == "look"
    look, sweeps = found[0][1], [data for kind, data in found if kind == "sweep"]
    assert (look["unit"], look["wanted_hz"], look["level_dbm"]) == ("dB", 1.7e9, -10.0)
    last = sweeps[-1]
    assert len(last["values"]) == len(look["frequency_hz"]) == len(last["range_db"]) == 41
    assert last["sweeps"] >= 2
    # A dipole that is too long: its dip lies below the design frequency, 10 to 20 dB deep.
    assert 1.6e9 < last["peak"]["frequency_hz"] < 1.7e9
    assert 10.0 < last["peak"]["value"] < 20.0
    assert 0.0 < max(last["deviation_db"]) < 0.5
    assert last["trouble"] == ""
    # Nothing was stored.
    assert {one["recipe"] for one in bench.http.get("/api/jobs").json()} == {"open-short-baseline"}


def test_the_last_viewer_leaving_switches_rf_off_at_once(bench: Bench) -> None:
    viewer = bench.started()
    since_s = bench.now_s()
    bench.http.delete("/api/live", params={"viewer": viewer})
    assert bench.off_at(since_s) - since_s < SILENCE_S
    assert bench.ended()["reason"] == "nobody-looks"


def test_of_two_viewers_the_last_to_leave_ends_the_look(bench: Bench) -> None:
    first = bench.started()
    second = bench.http.post("/api/live/join").json()["viewer"]
    assert bench.http.delete("/api/live", params={"viewer": first}).json()["ending"] is None
    with bench.looking(second):
        count = streamed(bench, lambda seen: len(numbers(seen)) >= 2)[0][1]["viewers"]
        assert (bench.rf_on, count) == (True, 1)
    bench.http.delete("/api/live", params={"viewer": second})
    assert bench.ended()["reason"] == "nobody-looks"


def test_a_viewer_killed_with_sigkill_leaves_rf_on_for_no_more_than_ten_seconds(
    bench: Bench,
) -> None:
    """The stream stays open all the while: a connection is no viewer."""
    with subprocess.Popen(bench.command("--yes", "--json"), stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        kinds = [json.loads(process.stdout.readline())["kind"] for _ in range(4)]
        assert (kinds[0], kinds[-1]) == ("look", "sweep")
        assert bench.rf_on
        process.kill()
    since_s = bench.now_s()
    found = streamed(bench, lambda seen: seen[-1][0] == "ended")
    assert found[-1][1]["ending"]["reason"] == "nobody-looks"
    # The last "here" came before the kill; noticing takes a point of the sweep.
    assert bench.off_at(since_s) - since_s < SILENCE_S + 2.0
    assert bench.ended()["reason"] == "nobody-looks"


def test_a_here_that_is_held_up_on_its_way_does_not_outlive_its_viewer(bench: Bench) -> None:
    """It comes when the viewer has been dead for seconds, and counts from when it was alive."""
    with slow_way(bench.daemon.said["http"]) as way:
        command = [*PROGRAM, "live", "dipole r3", "--daemon", way.url, "--yes", "--json"]
        with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
            assert process.stdout is not None
            while json.loads(process.stdout.readline())["kind"] != "sweep":
                pass
            way.flows.clear()
            until(lambda: way.held_bytes, "the viewer to say that it is here")
            process.kill()
        since_s = bench.now_s()
        until(lambda: bench.now_s() > since_s + 6.0, "some seconds to pass")
        assert bench.rf_on
        way.flows.set()
        assert bench.off_at(since_s) - since_s < SILENCE_S + 2.0
        assert bench.ended()["reason"] == "nobody-looks"


def test_a_start_that_lay_about_switches_nothing_on(bench: Bench) -> None:
    digest = bench.prepared()
    since_s = bench.now_s()
    until(lambda: bench.http.get("/api/live/tick").json()["tick"] >= 10_000, "tick 0 to be old")
    late = bench.http.post("/api/live", json={"worksheet": digest, "seen": 0})
    assert (late.status_code, late.json()["family"]) == (409, "refused")
    assert "may have gone" in late.json()["message"]
    early = bench.http.post("/api/live", json={"worksheet": digest, "seen": 10**12})
    assert (early.status_code, early.json()["where"]) == (400, "seen")
    record = bench.simulator.do("record", since_s=since_s)["record"]
    assert not [entry for entry in record if entry[2] == "rf"]


def test_a_forged_here_keeps_nothing_on_and_takes_nobody_away(bench: Bench) -> None:
    viewer = bench.started()
    forged = bench.here("viewer-" + "0" * 32)
    assert (forged.status_code, forged.json()["family"]) == (404, "not-found")
    away = bench.http.delete("/api/live", params={"viewer": "viewer-" + "0" * 32})
    assert away.json()["ending"] is None
    assert bench.here(viewer).json()["viewers"] == 1


def test_an_opened_lid_ends_the_look_with_rf_off(bench: Bench) -> None:
    viewer = bench.started()
    since_s = bench.now_s()
    with bench.looking(viewer):
        bench.simulator.do("lid", open=True)
        ending = bench.ended()
    assert (ending["reason"], ending["family"]) == ("failed", "lid-open")
    assert bench.off_at(since_s) - since_s < SILENCE_S
    # With the lid open RF does not come on at all.
    since_s = bench.now_s()
    bench.http.post("/api/live", json={"worksheet": bench.prepared()})
    assert bench.ended()["family"] == "lid-open"
    record = bench.simulator.do("record", since_s=since_s)["record"]
    assert not [entry for entry in record if entry[1:] == ["generator", "rf", True]]


def test_a_job_whose_turn_has_come_ends_the_look_and_runs(bench: Bench) -> None:
    viewer = bench.started()
    with bench.looking(viewer):
        job = bench.daemon.queue_text(QUICK)
        assert bench.daemon.until_state(job, "done")["state"] == "done"
    ending = bench.ended()
    assert ending["reason"] == "job"
    assert "A short wait" in ending["message"]


def test_while_a_job_runs_no_look_is_started(bench: Bench) -> None:
    slow = bench.daemon.queue_text(QUICK.replace("0.1 s", "300 s"))
    bench.daemon.until_state(slow, "running")
    refused = bench.http.post("/api/live", json={"worksheet": bench.prepared()})
    assert (refused.status_code, refused.json()["family"]) == (409, "refused")
    assert slow in refused.json()["message"]
    bench.http.post(f"/api/jobs/{slow}/withdraw")
    bench.daemon.until_state(slow, "withdrawn")


def test_its_time_ends_a_look_unless_somebody_renews_it(bench: Bench) -> None:
    viewer = bench.started(time="5 s")
    with bench.looking(viewer):
        before_s = bench.here(viewer).json()["left_s"]
        renewed = bench.http.post("/api/live/renew").json()
        assert renewed["left_s"] > before_s
        ending = bench.ended()
    assert ending["reason"] == "time-over"


def test_keep_stores_exactly_one_capture_with_its_results(bench: Bench) -> None:
    viewer = bench.started()
    with bench.looking(viewer):
        number = numbers(streamed(bench, lambda seen: len(numbers(seen)) >= 3))[-1]
        answers = [
            bench.http.post("/api/live/keep", json={"sweep": number}, timeout=PATIENCE_S)
            for _ in range(2)
        ]
        assert bench.rf_on
    kept = answers[0].json()
    assert [answer.status_code for answer in answers] == [201, 201]
    assert answers[1].json() == kept
    assert (kept["state"], len(kept["results"]) > 5) == ("done", True)
    job = bench.http.get(f"/api/jobs/{kept['job']}").json()
    assert (job["recipe"], job["state"], job["progress"]) == ("live-look", "done", 1.0)
    captures = bench.http.get("/api/captures", params={"job": kept["job"]}).json()
    assert [one["id"] for one in captures] == [kept["capture"]]
    one = captures[0]
    assert (one["role"], one["antenna"], one["route"]) == ("test", "dipole r3", "middle")
    assert (one["worksheet_hash"], one["settings"]["lid"]) == (job["worksheet_hash"], "closed")
    assert set(one["instruments"]) == {"generator", "analyzer", "switch"}
    # It can be reduced again, to the same numbers.
    again = bench.http.post(f"/api/jobs/{kept['job']}/reduce", timeout=PATIENCE_S).json()
    values = [[each["result"]["value"] for each in some] for some in (again, kept["results"])]
    assert values[0] == values[1]
    missing = bench.http.post("/api/live/keep", json={"sweep": 10**6})
    assert (missing.status_code, missing.json()["family"]) == (409, "refused")


def test_a_look_is_started_only_by_the_hash_of_its_worksheet(bench: Bench) -> None:
    since_s = bench.now_s()
    for digest in ("0" * 64, bench.prepared()[:-1] + "x"):
        refused = bench.http.post("/api/live", json={"worksheet": digest})
        assert refused.status_code in (409, 422), refused.text
    assert bench.http.post("/api/live", json={}).status_code == 422
    record = bench.simulator.do("record", since_s=since_s)["record"]
    assert not [entry for entry in record if entry[2] == "rf"]


def test_what_a_job_would_be_refused_for_is_refused_here_too(bench: Bench) -> None:
    def said(**arguments: str) -> tuple[int, str, str]:
        body = {"what": "dipole r3", "arguments": arguments}
        answer = bench.http.post("/api/live/prepare", json=body)
        document = answer.json()
        return answer.status_code, document["family"], document["message"]

    status, family, message = said(level="-20 dBm")
    assert (status, family) == (422, "baseline-refused")
    assert "source level" in message
    status, family, message = said(show="over-thru", route="range", position="mount_a")
    assert (status, family) == (422, "baseline-refused")
    assert "no stored thru capture" in message
    status, family, message = said(centre="1.7")
    assert (status, family) == (422, "wrong-recipe")
    assert "centre" in message
    status, family, message = said(show="level", lid="open", level="15 dBm")
    assert (status, family) == (422, "unsafe")
    unknown = bench.http.post("/api/live/prepare", json={"what": "dipol r3"}).json()
    assert 'did you mean "dipole r3"?' in unknown["message"]


def test_an_analyzer_that_falls_silent_does_not_keep_rf_on(bench: Bench) -> None:
    """It may take five minutes to answer; the viewer leaves, and RF goes off all the same."""
    viewer = bench.started()
    with bench.looking(viewer):
        bench.simulator.do("fault", instrument="analyzer", mode="silent", count=1)
        since_s = bench.now_s()
        bench.http.delete("/api/live", params={"viewer": viewer})
        assert bench.off_at(since_s) - since_s < SILENCE_S
    assert bench.ended()["reason"] == "nobody-looks"


def test_a_source_that_vanishes_is_switched_off_as_soon_as_it_answers(bench: Bench) -> None:
    viewer = bench.started()
    with bench.looking(viewer):
        bench.simulator.do("fault", instrument="generator", mode="stop-listening")
        until(lambda: bench.live["state"] == "ended", "the look to end")
        assert bench.live["ending"]["family"] == "link-lost"
        refused = bench.http.post("/api/live", json={"worksheet": bench.prepared()})
        assert refused.status_code == 409
        assert "not verified off" in refused.json()["message"]
        bench.simulator.do("fault", instrument="generator", mode="none")
    bench.ended()


def test_somebody_who_walks_past_an_open_box_is_seen_in_the_spread(bench: Bench) -> None:
    """The virtual people reflect; with nobody about, only noise is left."""
    bench.simulator.do("lid", open=True)
    bench.simulator.do("people", walking=False)
    given = {"antenna": "yagi r2", "position": "mount_a", "show": "level", "lid": "open"}
    body = {"what": "range", "arguments": given}
    digest = bench.http.post("/api/live/prepare", json=body).json()["hash"]
    viewer = bench.http.post("/api/live", json={"worksheet": digest}).json()["viewer"]

    def moved_db() -> float:
        """What is told when the last ten sweeps are all new."""
        found = streamed(bench, lambda seen: len(numbers(seen)) >= 12)
        return float(max(found[-1][1]["range_db"]))

    with bench.looking(viewer):
        assert moved_db() < 0.1
        bench.simulator.do("people", walking=True)
        assert moved_db() > 0.3


def test_a_source_that_only_says_off_is_found_when_the_look_ends(bench: Bench) -> None:
    viewer = bench.started()
    bench.simulator.do("disregard", instrument="generator", setting="output", pretend=True)
    bench.http.delete("/api/live", params={"viewer": viewer})
    until(lambda: bench.live["state"] == "ended", "the look to end")
    assert bench.live["ending"]["family"] in ("still-radiating", "instrument-refused")
    assert bench.http.get("/api/rf").json()["state"] == "not-verified"
    kept = bench.http.post("/api/live/keep", json={})
    assert (kept.status_code, kept.json()["family"]) == (409, "refused")
    bench.simulator.do("obey", instrument="generator")
    bench.ended()


def test_at_a_terminal_rf_goes_on_after_a_yes_and_off_with_q(bench: Bench) -> None:
    terminal = Terminal(bench.command())
    terminal.until("Go on? [y/N]")
    assert "RF exposure" in terminal.text
    assert bench.live["state"] != "on"
    terminal.type("y\n")
    terminal.until("RF IS ON, -10 dBm: dipole r3 on middle")
    terminal.until("█")
    terminal.until("1.7 GHz")
    terminal.type("k")
    terminal.until("kept as cap-")
    terminal.type("m")
    terminal.until("the whole time again")
    since_s = bench.now_s()
    terminal.type("q")
    assert terminal.ended() == 0
    assert "The live look has ended: nobody looks any more" in terminal.text
    assert bench.off_at(since_s) - since_s < SILENCE_S
    kept = re.search(r"kept as (cap-\w+)", terminal.text)
    assert kept is not None
    assert bench.http.get(f"/api/captures/{kept[1]}").status_code == 200


def test_where_nobody_can_answer_nothing_is_switched_on_without_yes(bench: Bench) -> None:
    before = bench.live
    said = subprocess.run(
        bench.command(), capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL
    )
    assert said.returncode == 1
    assert "Answer at a terminal, or give --yes." in said.stderr
    assert bench.live.get("ending") == before.get("ending")


def test_an_event_loop_that_hangs_does_not_keep_rf_on(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The viewer says "here", and nobody hears it: the bench thread ends the look by itself."""
    assert bench.daemon.stop() == 0
    bench.daemon.http.close()
    flag = bench.folder / "hang"
    with monkeypatch.context() as stuck:
        stuck.setenv("STUCK_WHEN", str(flag))
        stuck.setenv("STUCK_WHAT", "loop")
        stuck.setattr(rigging, "PROGRAM", (sys.executable, str(STUCK)))
        bench.begin()
    bench.started()
    since_s = bench.now_s()
    flag.touch()
    with pytest.raises(httpx.TimeoutException):
        # What it would publish is where it hangs.
        bench.http.post("/api/live/keep", json={}, timeout=3.0)
    assert bench.off_at(since_s) - since_s < SILENCE_S + 2.0
    flag.unlink()
    bench.daemon.kill()
    bench.daemon.http.close()
    bench.begin()


def test_a_daemon_that_is_stopped_or_killed_leaves_no_look_radiating(bench: Bench) -> None:
    """SIGTERM: off before it ends. SIGKILL: the next start switches off before all else."""
    bench.started()
    since_s = bench.now_s()
    assert bench.daemon.stop() == 0
    assert not bench.rf_on
    assert bench.off_at(since_s) > since_s
    bench.daemon.http.close()
    bench.begin()
    assert bench.live == {"state": "none"}
    bench.started()
    bench.daemon.kill()
    bench.daemon.http.close()
    assert bench.rf_on
    bench.begin()
    assert not bench.rf_on
    assert bench.live == {"state": "none"}
