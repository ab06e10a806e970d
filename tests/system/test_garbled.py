"""One garbled reply in an unattended night costs a new try; an instrument that always answers
garbage ends the job, and the error names it."""

from __future__ import annotations

import pytest

from tests.system.rigging import Daemon, Simulator, until

POINTS = "101"


def rf_is_off(simulator: Simulator) -> bool:
    return simulator.do("state")["rf_on"] is False


@pytest.mark.parametrize(
    ("instrument", "skip", "count"),
    [
        ("generator", 0, 1),  # RF off before the job
        ("generator", 9, 1),  # in the set-up: readback, error queue
        ("generator", 70, 2),  # during the sweep, and in the OFF behind it
        ("analyzer", 3, 1),
        ("analyzer", 90, 1),  # a reading
        ("switch", 0, 1),  # whether it moved
        ("switch", 2, 1),  # its error queue, or after the sweep
        ("lid", 0, 1),
    ],
)
def test_a_garbled_reply_costs_a_new_try_and_not_the_job(
    daemon: Daemon, simulator: Simulator, instrument: str, skip: int, count: int
) -> None:
    simulator.do("fault", instrument=instrument, mode="garbage", skip=skip, count=count)
    job = daemon.queue("open-short-baseline", points=POINTS)
    daemon.until_state(job, "done")
    captures = daemon.http.get("/api/captures", params={"job": job}).json()
    assert [capture["flags"] for capture in captures] == [[], []]
    assert rf_is_off(simulator)


@pytest.mark.parametrize("instrument", ["analyzer", "switch", "lid"])
def test_an_instrument_that_always_answers_garbage_ends_the_job_by_name(
    daemon: Daemon, simulator: Simulator, instrument: str
) -> None:
    simulator.do("fault", instrument=instrument, mode="garbage", count=100_000)
    row = daemon.until_state(daemon.queue("open-short-baseline", points=POINTS), "failed")
    assert row["error"]["family"] == "instrument-refused"
    assert instrument in row["error"]["where"]
    assert rf_is_off(simulator)
    simulator.do("fault", instrument=instrument, mode="none")
    daemon.until_state(daemon.queue("open-short-baseline", points=POINTS), "done")


def test_a_source_that_always_answers_garbage_is_tried_until_it_says_off(
    daemon: Daemon, simulator: Simulator
) -> None:
    job = daemon.queue("open-short-baseline", points="2001")
    until(lambda: not rf_is_off(simulator), "the sweep to radiate")
    simulator.do("fault", instrument="generator", mode="garbage", count=100_000)
    row = daemon.until_state(job, "failed")
    assert row["error"]["family"] == "instrument-refused"
    assert "generator" in row["error"]["where"]
    until(lambda: rf_is_off(simulator), "RF to be off, though nobody understands the source")
    simulator.do("fault", instrument="generator", mode="none")
    daemon.until_state(daemon.queue("open-short-baseline", points=POINTS), "done")
