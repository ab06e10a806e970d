"""RF that is not verified off is seen in every command that looks at the bench."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

JOB = "job-0000000000000001"
OFF = {
    "state": "off-verified",
    "since": "2026-03-01T21:04:05Z",
    "message": "RF is off",
    "advice": "",
}
ON = {**OFF, "state": "on", "message": "a sweep is under way"}
DOUBT = {
    "state": "not-verified",
    "since": "2026-03-01T21:04:05Z",
    "sources": ["generator"],
    "message": "RF is NOT verified off: generator: no answer",
    "advice": "Switch generator off by hand.",
}
WARNING = (
    "!!! RF IS NOT VERIFIED OFF: keep away from open ports.\n"
    "!!! RF is NOT verified off: generator: no answer (since 2026-03-01 21:04:05 UTC)\n"
    "!!! Switch generator off by hand.\n"
)
WHOLE: dict[str, Any] = {
    "status": "well",
    "wake": [],
    "notes": ["job job-1 asks for hands"],
    "running": None,
    "lost": [],
    "store": "",
    "rf": OFF,
    "bench_thread": {"state": "well", "silent_s": 0},
    "broker": {
        "connected": False,
        "address": "mqtt://x:1883",
        "message": "refused",
        "delivered": 0,
    },
    "outbox": {"pending": 12},
    "disk": {"free_bytes": 3 * 2**30},
    "queue": {"waiting": 3, "may_run": 2, "oldest_s": 65.0},
    "instruments": [
        {
            "name": "generator",
            "state": "ready",
            "message": "",
            "answered_at": "2026-03-01T21:00:00Z",
        },
        {"name": "lid", "state": "lost", "message": "no answer", "answered_at": None},
    ],
}


@pytest.mark.parametrize(("rf", "code", "err"), [(OFF, 0, ""), (ON, 0, ""), (DOUBT, 3, WARNING)])
def test_jobs_says_so_and_ends_with_its_own_status(
    api: Any, benchd: Callable[..., Any], rf: dict[str, Any], code: int, err: str
) -> None:
    api.desk.vitals = {"rf": rf}
    outcome = benchd("jobs", api=api)
    assert (outcome.code, outcome.out, outcome.err) == (code, "No jobs.\n", err)


def test_json_on_stdout_stays_json(api: Any, benchd: Callable[..., Any]) -> None:
    api.desk.vitals = {"rf": DOUBT, "wake": ["RF"]}
    outcome = benchd("jobs", "--json", api=api)
    assert (outcome.code, json.loads(outcome.out), outcome.err) == (3, [], WARNING)


def test_watch_ends_with_the_status_of_rf_before_that_of_the_job(
    api: Any, benchd: Callable[..., Any]
) -> None:
    api.desk.vitals = {"rf": DOUBT}
    api.desk.add(JOB, "failed")
    seen = benchd("watch", JOB, api=api)
    assert seen.code == 3
    assert seen.err.startswith(WARNING), "at once, and not only at the end"
    assert seen.err.endswith(WARNING)
    assert benchd("watch", api=api).code == 3
    api.desk.vitals = {"rf": OFF}
    assert benchd("watch", JOB, api=api).code == 1
    assert benchd("watch", api=api).code == 0


def test_a_daemon_that_has_just_started_is_given_time_to_hear_from_its_sources(
    api: Any, benchd: Callable[..., Any]
) -> None:
    asked = []
    plain = api.desk.health

    async def health() -> dict[str, Any]:
        asked.append(1)
        rf = {**DOUBT, "asking": True} if len(asked) < 3 else OFF
        return {**await plain(), "rf": rf}

    api.desk.health = health
    assert benchd("jobs", api=api).code == 0
    assert len(asked) == 3


def test_health_tells_everything_and_lets_people_sleep(
    api: Any, benchd: Callable[..., Any]
) -> None:
    api.desk.vitals = WHOLE
    outcome = benchd("health", api=api)
    assert outcome.code == 0
    lines = [" ".join(line.split()) for line in outcome.out.splitlines()]
    for expected in (
        "benchd 0.1.0, bench workshop",
        "RF RF is off (since 2026-03-01 21:04:05 UTC)",
        "queue 3 wait, 2 of them may run now, the oldest since 1 min 05 s",
        "store writes",
        "disk 3.0 GiB free",
        "broker mqtt://x:1883, not connected: refused",
        "outbox 12 messages wait for the broker",
        "lid lost, has not answered since benchd started. no answer",
        "job job-1 asks for hands",
    ):
        assert expected in lines, outcome.out
    assert any(
        line.startswith("generator ready, answered 2026-03-01 21:00:00 UTC") for line in lines
    )


def test_health_ends_the_sentence_on_rf_before_what_to_do(
    api: Any, benchd: Callable[..., Any]
) -> None:
    api.desk.vitals = {**WHOLE, "rf": DOUBT, "wake": ["RF"]}
    told = " ".join(benchd("health", api=api).out.split())
    assert "no answer (since 2026-03-01 21:04:05 UTC). Switch generator off by hand." in told


def test_health_without_a_broker_waits_for_none(api: Any, benchd: Callable[..., Any]) -> None:
    api.desk.vitals = {**WHOLE, "broker": None, "disk": {"free_bytes": 5 * 2**20}}
    lines = [" ".join(line.split()) for line in benchd("health", api=api).out.splitlines()]
    assert "broker none: nothing is published, 12 messages are kept for one" in lines
    assert "disk 5 MiB free" in lines
    assert not any(line.startswith("outbox") for line in lines)


@pytest.mark.parametrize(
    ("vitals", "code"),
    [
        ({**WHOLE, "wake": ["nothing can be stored"]}, 1),
        ({**WHOLE, "rf": DOUBT, "wake": ["RF"]}, 3),
    ],
)
def test_health_wakes_somebody(
    api: Any, benchd: Callable[..., Any], vitals: dict[str, Any], code: int
) -> None:
    api.desk.vitals = vitals
    outcome = benchd("health", api=api)
    assert outcome.code == code
    assert outcome.out.startswith(f"!!! {vitals['wake'][0]}\n")
    assert json.loads(benchd("health", "--json", api=api).out)["wake"] == vitals["wake"]
