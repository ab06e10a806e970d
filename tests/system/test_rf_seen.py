"""RF that is not verified off is seen wherever somebody may look, and in every exit status."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path
from typing import Any

from tests.system.rigging import Daemon, Listener, Mosquitto, Simulator, ending, until
from tests.system.test_orders_kept import QUICK, SLOW


def ask(daemon: Daemon, *command: str) -> subprocess.CompletedProcess[str]:
    """One command against this daemon, as a person gives it."""
    return subprocess.run(
        [sys.executable, "-m", "benchd", *command, "--daemon", daemon.said["http"]],
        capture_output=True, text=True, check=False,
    )  # fmt: skip


def health(daemon: Daemon) -> tuple[int, dict[str, Any]]:
    answer = daemon.http.get("/api/health")
    return answer.status_code, answer.json()


def state_on(daemon: Daemon, state: str) -> dict[str, Any]:
    """Wait until the API tells this state of RF."""

    def there() -> Any:
        rf = health(daemon)[1]["rf"]
        return rf if rf["state"] == state and not rf["asking"] else None

    found: dict[str, Any] = until(there, f"RF to be {state}")
    return found


def told(listener: Listener, state: str) -> dict[str, Any]:
    """Wait until the newest message on the topic tells this state."""
    found: dict[str, Any] = until(
        lambda: (said := listener.on("/rf")) and said[-1]["state"] == state and said[-1],
        f"the topic rf to tell {state}",
    )
    return found


def test_a_bench_that_is_well_says_so_everywhere(
    daemon: Daemon, simulator: Simulator, listener: Listener
) -> None:
    state_on(daemon, "off-verified")
    told(listener, "off-verified")
    job = daemon.queue_text(SLOW)
    until(lambda: simulator.do("state")["rf_on"], "the sweep to radiate")
    told(listener, "on")
    assert state_on(daemon, "on")["sources"] == ["generator"]
    daemon.http.post(f"/api/jobs/{job}/withdraw")
    daemon.until_state(job, "withdrawn")
    told(listener, "off-verified")
    status, found = health(daemon)
    assert (status, found["status"], found["wake"], found["store"]) == (200, "well", [], "")
    assert found["broker"]["connected"] is True
    assert found["disk"]["free_bytes"] > 0
    assert found["queue"] == {"waiting": 0, "may_run": 0, "oldest_s": None}
    assert {one["name"] for one in found["instruments"] if one["answered_at"]} >= {
        "generator", "analyzer", "switch",
    }  # fmt: skip
    until(lambda: health(daemon)[1]["outbox"]["pending"] == 0, "the outbox to be empty")
    assert [ask(daemon, name).returncode for name in ("health", "jobs", "watch")] == [0, 0, 0]
    assert daemon.stop() == 0
    assert told(listener, "off-verified")


def test_a_source_lost_while_it_radiates_is_seen_everywhere_until_it_answers_again(
    daemon: Daemon, simulator: Simulator, listener: Listener
) -> None:
    job = daemon.queue_text(SLOW)
    until(lambda: simulator.do("state")["rf_on"], "the sweep to radiate")
    simulator.do("fault", instrument="generator", mode="stop-listening")
    rf = state_on(daemon, "not-verified")
    assert rf["sources"] == ["generator"]
    message = told(listener, "not-verified")
    assert message["schema"] == "benchd.rf/1"
    assert message["message"].startswith("RF is NOT verified off: ")
    assert "Switch generator off by hand, or pull the mains plug." in message["advice"]
    status, found = health(daemon)
    assert (status, found["status"]) == (503, "wake")
    assert found["wake"][0].startswith("RF is NOT verified off: ")
    for command in (("jobs",), ("jobs", "--json"), ("health",)):
        said = ask(daemon, *command)
        assert said.returncode == 3, said
        assert "RF is NOT verified off" in said.stdout + said.stderr
    daemon.until_state(job, "failed")
    watched = ask(daemon, "watch", job)
    assert watched.returncode == 3
    assert "!!! RF is NOT verified off" in watched.stderr
    simulator.do("fault", instrument="generator", mode="none")
    state_on(daemon, "off-verified")
    told(listener, "off-verified")
    assert simulator.do("state")["rf_on"] is False
    assert ask(daemon, "jobs").returncode == 0


def test_a_start_tells_its_user_whether_rf_is_off_and_where_the_page_is(daemon: Daemon) -> None:
    state_on(daemon, "off-verified")
    log = until(lambda: "event='page'" in (text := daemon.log.read_text()) and text, "the page")
    assert "RF is off; every source has said so when asked" in log
    address = re.search(r"event='page' address='(http://[^']+/)'", log)
    assert address is not None, log
    page = daemon.http.get(address[1], headers={"accept": "text/html"})
    assert page.headers["content-type"].startswith("text/html")


def test_a_daemon_that_leaves_rf_unverified_says_so_with_its_last_words_and_its_status(
    daemon: Daemon, simulator: Simulator, listener: Listener
) -> None:
    daemon.queue_text(SLOW)
    until(lambda: simulator.do("state")["rf_on"], "the sweep to radiate")
    simulator.do("fault", instrument="generator", mode="stop-listening")
    state_on(daemon, "not-verified")
    assert daemon.stop() == 3
    log = daemon.log.read_text()
    assert "benchd has stopped, but RF is NOT verified off: " in log
    assert "Switch generator off by hand, or pull the mains plug." in log
    until(lambda: listener.on("/presence")[-1]["state"] == "offline", "the daemon to say goodbye")
    assert told(listener, "not-verified")


def test_a_source_that_stays_on_whatever_it_is_told_is_seen(
    daemon: Daemon, simulator: Simulator, listener: Listener
) -> None:
    daemon.queue_text(SLOW)
    until(lambda: simulator.do("state")["rf_on"], "the sweep to radiate")
    simulator.do("disregard", instrument="generator", setting="output")
    daemon.http.post(f"/api/jobs/{daemon.http.get('/api/jobs').json()[0]['id']}/withdraw")
    rf = state_on(daemon, "not-verified")
    assert "RF output is still on after it was switched off" in rf["message"]
    told(listener, "not-verified")
    assert daemon.stop() == 3


def test_a_start_without_its_source_is_seen_and_runs_no_job(
    tmp_path: Path, simulator: Simulator, mosquitto: Mosquitto, listener: Listener
) -> None:
    simulator.do("fault", instrument="generator", mode="stop-listening")
    starting = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(starting):
        job = starting.queue_text(QUICK)
        state_on(starting, "not-verified")
        assert ask(starting, "jobs").returncode == 3
        assert starting.job(job)["state"] == "waiting"
        simulator.do("fault", instrument="generator", mode="none")
        starting.until_state(job, "done")
        told(listener, "off-verified")
        assert starting.stop() == 0
