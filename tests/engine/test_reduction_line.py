"""What runs beside a capture, what follows it at once, and a reducing process of no use."""

from __future__ import annotations

import asyncio
import os
import signal
from pathlib import Path
from typing import Any

import pytest

from benchd.bench import load_bench
from benchd.engine import reduction_line
from benchd.engine.capture_commit import commit_capture, next_capture
from benchd.engine.events import EventHub
from benchd.engine.reducing import Reducer
from benchd.engine.reducing_process import Order, ReducingProcess
from benchd.engine.reduction_line import ReductionLine, runs_beside
from benchd.engine.storethread import StoreThread
from benchd.recipe import load_recipe, resolve
from benchd.store import JobState, Store
from benchd.worksheet import CaptureStep, ReduceStep, Worksheet
from tests.engine.office import ROOT
from tests.store import examples

RECIPE = """
recipe: several
title: Captures, requests and limits
sweeps:
  main: {method: stepped, start: 1.6 GHz, stop: 1.8 GHz, points: 11, level: -10 dBm,
    resolution_bandwidth: 100 kHz}
steps:
  - capture: {name: open, role: open, route: middle, position: open, sweep: main}
  - capture: {name: short, role: short, route: middle, position: short, sweep: main}
  - capture: {name: a, role: test, route: middle, position: antenna, antenna: dipole r3,
      sweep: main}
  - reduce: {name: one, kind: reflection, test: a, baseline: {open: open, short: short}}
  - accept: [{quantity: resonance_return_loss, least: 1 dB}]
  - wait: {for: 1 s}
  - capture: {name: b, role: test, route: middle, position: antenna, antenna: dipole r3,
      sweep: main}
  - reduce: {name: two, kind: reflection, test: b, baseline: {open: open, short: short}}
  - hands: {ask: Turn the antenna}
  - capture: {name: c, role: test, route: middle, position: antenna, antenna: dipole r3,
      sweep: main}
  - reduce: {name: three, kind: reflection, test: c, baseline: {open: open, short: short}}
"""


def worksheet(recipe: str = RECIPE) -> Worksheet:
    bench = load_bench(ROOT / "recipes" / "benches" / "workshop.yaml")
    return resolve(load_recipe(recipe, file="several"), bench, {})


def test_only_what_a_capture_follows_before_anybody_is_asked_runs_beside_it() -> None:
    beside = {
        step.index: runs_beside(worksheet(), step.index)
        for step in worksheet().steps
        if step.kind in ("reduce", "accept")
    }
    assert beside == {3: True, 4: True, 7: False, 10: False}


def test_a_process_that_cannot_reduce_leaves_it_to_the_daemon_and_can_be_asked_again(
    tmp_path: Path,
) -> None:
    bench = load_bench(ROOT / "recipes" / "benches" / "workshop.yaml")
    with Store.open(tmp_path / "benchd.sqlite") as store:
        process = ReducingProcess(store.place)
        try:
            assert process.ready(Order("job-none", 0, bench)) is None
            assert process.ready(Order("job-none", 0, bench)) is None
        finally:
            process.kill()
        process.kill()


def test_a_process_that_cannot_be_started_leaves_it_to_the_daemon(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = load_bench(ROOT / "recipes" / "benches" / "workshop.yaml")
    monkeypatch.setenv("PYTHONHOME", os.fspath(tmp_path))
    process = ReducingProcess(os.fspath(tmp_path / "benchd.sqlite"))
    assert process.ready(Order("job-none", 0, bench)) is None


async def test_a_process_that_hangs_is_ended_and_the_daemon_reduces_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It takes the order and never answers: it was stopped, or waits for a disk."""
    monkeypatch.setattr(reduction_line, "ANSWER_WITHIN_S", 0.2)
    bench = load_bench(ROOT / "recipes" / "benches" / "workshop.yaml")
    with Store.open(tmp_path / "benchd.sqlite") as store:
        sheet = examples.worksheet()
        job = store.add_job(sheet)
        line = ReductionLine(store, StoreThread(), EventHub(), lambda: None)
        hanging = line._process._started()
        hanging.send_signal(signal.SIGSTOP)
        asked: list[int] = []

        class Counted(Reducer):
            def records(self, job_id: str, worksheet: Worksheet, step: ReduceStep) -> Any:
                asked.append(step.index)
                return []

        line.begin(job.id, sheet, Counted(bench, store), 0)
        step = next(one for one in worksheet().steps if isinstance(one, ReduceStep))
        line.hand_over(step, beside=True)
        async with asyncio.timeout(60.0):
            await line.settled(lambda: None)
        assert line.failure is None
        assert asked == [step.index]
        assert hanging.poll() is not None
        assert store.reduced_index(job.id) == step.index + 1
        line.close()


def test_a_capture_and_the_beginning_of_the_next_are_one_transaction(tmp_path: Path) -> None:
    with Store.open(tmp_path / "benchd.sqlite") as store:
        job = store.add_job(examples.worksheet())
        store.set_state(job.id, JobState.RUNNING, step_index=0)
        (step, *_) = [one for one in worksheet().steps if isinstance(one, CaptureStep)]
        begun = commit_capture(
            store,
            examples.capture(job.id),
            step_index_after=1,
            upcoming=step.model_copy(update={"index": 2, "label": "capture b"}),
            trace_points=0,
        )
        assert begun is not None
        assert (begun.step_index, begun.message) == (2, "capture b")
        assert begun == store.job(job.id)


def test_a_capture_is_kept_where_its_job_cannot_go_on(tmp_path: Path) -> None:
    with Store.open(tmp_path / "benchd.sqlite") as store:
        job = store.add_job(examples.worksheet())
        store.set_state(job.id, JobState.RUNNING, step_index=0)
        store.set_state(job.id, JobState.FAILED, message="for the test")
        (step, *_) = [one for one in worksheet().steps if isinstance(one, CaptureStep)]
        capture = examples.capture(job.id)
        begun = commit_capture(store, capture, step_index_after=1, upcoming=step, trace_points=0)
        assert begun is None
        assert [row.id for row in store.captures(job_id=job.id)] == [capture.id]
        assert store.job(job.id).state is JobState.FAILED


def test_a_capture_follows_at_once_only_where_nobody_is_asked() -> None:
    captures = [one for one in worksheet().steps if isinstance(one, CaptureStep)]
    assert {one.name: next_capture(worksheet(), one) for one in captures} == dict.fromkeys(
        ("open", "short", "a", "b", "c")
    )
    alone = worksheet(RECIPE.replace("  - hands: {ask: Turn the antenna}\n", ""))
    follows = {
        one.name: (following := next_capture(alone, one)) and following.name
        for one in alone.steps
        if isinstance(one, CaptureStep)
    }
    # After "a" there is a wait; after "c" nothing.
    assert follows == {"open": "short", "short": "a", "a": None, "b": "c", "c": None}
