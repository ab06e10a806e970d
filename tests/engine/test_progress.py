"""Progress is live news: it must not push what matters out of the events that are kept."""

from __future__ import annotations

from typing import Any

import pytest

from benchd.acquire import Sweep
from benchd.job_request import RecipeSource
from benchd.store import JobState
from drivers.exchange import Progress
from tests.engine.office import ONE_CAPTURE, Office


async def test_of_a_fast_sweeps_progress_the_first_and_the_last_are_told(
    working: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = working.rig.measure
    monkeypatch.setattr("benchd.engine.underway.PROGRESS_S", 3600.0)

    def measure(
        procedure: Any,
        names: list[str],
        on_progress: Any,
        *,
        lid: Any,
        then: Any = None,
        radiates: str = "",
    ) -> Sweep:
        for done in range(1, 20_001):
            on_progress(Progress(done, 20_000))
        return plain(procedure, names, on_progress, lid=lid)

    monkeypatch.setattr(working.rig, "measure", measure)
    job = await working.desk.queue(RecipeSource(text=ONE_CAPTURE, file="one.yaml"), {})
    await working.until(job.id, JobState.DONE)
    kept = list(working.hub._kept)
    told = [event.data["done"] for event in kept if event.kind == "progress"]
    assert told[-1] == 20_000
    assert len(told) <= 2
    assert next(event.data["state"] for event in kept if event.kind == "job") == "waiting"
