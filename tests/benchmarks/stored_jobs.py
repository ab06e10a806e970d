"""Stored jobs of one reflection reduction each, as a night leaves them, without instruments."""

from __future__ import annotations

import numpy as np

from benchd.recipe import load_recipe, resolve
from benchd.traces import FloatArray
from tests.reductions.captures import Notebook

RESONANCE_HZ = 1.7e9
LOADED_Q = 12.0
DEPTH = 0.08
LEVEL_DBM = -32.0
SCATTER_DB = 0.02

RECIPE = """
recipe: reduced-again
title: Reduced again
sweeps:
  main: {{method: stepped, start: 1.45 GHz, stop: 1.95 GHz, points: {points}, level: -10 dBm,
    resolution_bandwidth: 10 kHz, detector: rms, dwell: 2 ms}}
steps:
  - capture: {{name: open, role: open, route: middle, position: open, sweep: main}}
  - capture: {{name: short, role: short, route: middle, position: short, sweep: main}}
  - capture: {{name: test, role: test, route: middle, position: antenna, sweep: main,
      antenna: dipole r3}}
  - reduce: {{name: match, kind: reflection, test: test, baseline: {{open: open, short: short}},
      design_frequency: 1.7 GHz, bandwidth_level: 10 dB, band: [1.68 GHz, 1.71 GHz],
      at: [1.68 GHz, 1.7 GHz, 1.71 GHz]}}
"""
"""All that a reflection gives: four quantities at three frequencies, the worst of a band,
resonance, Q, depth, bandwidth with its edges, and trim."""


def dip_db(frequency_hz: FloatArray) -> FloatArray:
    """Reflection of a series circuit, dB: 1/(1 - |G|^2) is a parabola in f/f0 - f0/f."""
    apart = frequency_hz / RESONANCE_HZ - RESONANCE_HZ / frequency_hz
    y = (1.0 + (LOADED_Q * apart) ** 2) / (1.0 - DEPTH**2)
    return np.asarray(10.0 * np.log10(1.0 - 1.0 / y))


def store_job(notebook: Notebook, points: int, *, seed: int = 1) -> str:
    """A job with open, short and antenna of that many points, ready to be reduced; its id."""
    recipe = load_recipe(RECIPE.format(points=points), file="reduced-again.yaml")
    notebook.job = notebook.store.add_job(resolve(recipe, notebook.bench, {})).id
    grid_hz, rng = np.linspace(1.45e9, 1.95e9, points), np.random.default_rng(seed)
    for number, (name, level_db) in enumerate(
        {"open": 0.0, "short": 0.0, "test": dip_db(grid_hz)}.items()
    ):
        read_dbm = LEVEL_DBM + level_db + SCATTER_DB * rng.standard_normal(points)
        is_test = name == "test"
        notebook.capture(
            name, name, read_dbm, at_s=60.0 * number, route="middle", grid_hz=grid_hz,
            position="antenna" if is_test else name, antenna="dipole r3" if is_test else None,
        )  # fmt: skip
    return notebook.job
