"""Which reductions run beside a capture, and a process that is of no use."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from benchd.bench import load_bench
from benchd.engine.reducing_process import Order, ReducingProcess
from benchd.engine.reduction_line import runs_beside
from benchd.recipe import load_recipe, resolve
from benchd.store import Store
from tests.engine.office import ROOT

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


def test_only_what_a_capture_follows_before_anybody_is_asked_runs_beside_it() -> None:
    bench = load_bench(ROOT / "recipes" / "benches" / "workshop.yaml")
    worksheet = resolve(load_recipe(RECIPE.replace("", ""), file="several"), bench, {})
    beside = {
        step.index: runs_beside(worksheet, step.index)
        for step in worksheet.steps
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
            assert process.records(Order("job-none", 0, bench)) is None
            assert process.records(Order("job-none", 0, bench)) is None
        finally:
            process.kill()
        process.kill()


def test_a_process_that_cannot_be_started_leaves_it_to_the_daemon(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = load_bench(ROOT / "recipes" / "benches" / "workshop.yaml")
    monkeypatch.setenv("PYTHONHOME", os.fspath(tmp_path))
    process = ReducingProcess(os.fspath(tmp_path / "benchd.sqlite"))
    assert process.records(Order("job-none", 0, bench)) is None
