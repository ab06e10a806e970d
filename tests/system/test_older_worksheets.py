"""A job that was queued before an update of benchd runs after it, from the worksheet of its day."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from benchd.bench import load_bench
from benchd.recipe import load_recipe, resolve
from benchd.store import Store
from benchd.worksheet import digest_of
from tests.system.rigging import BENCH, Daemon, Mosquitto, Simulator, ending

RECIPE = """\
recipe: look
title: One look, standards before and after
sweeps:
  main: {method: stepped, centre: 1.7 GHz, span: 300 MHz, points: 61, level: -10 dBm,
         resolution_bandwidth: 10 kHz}
steps:
  - repeat:
      over: {standard: [open, short]}
      steps: [{capture: {role: $standard, route: middle, position: $standard, sweep: main}}]
  - capture: {role: test, route: middle, position: antenna, antenna: dipole r3, sweep: main}
  - repeat:
      over: {again: [open, short]}
      steps:
        - capture: {role: $again, route: middle, position: $again, sweep: main, name: $again later}
  - reduce: {kind: reflection, test: test,
             baseline: {open: open, short: short, max_age: 1 h,
                        closing: {open: open later, short: short later}}}
  - accept: [{quantity: return_loss, least: 1 dB, at: 1.7 GHz}]
"""


def of_its_day(document: dict[str, Any]) -> dict[str, Any]:
    """As worksheets were written before the settings of a reduction had types."""
    for step in document["steps"]:
        if step["kind"] == "reduce":
            del step["settings"]
            step |= {
                "reduction": "reflection",
                "captures": {"test": "test"},
                "baseline": {
                    "open": "open", "short": "short",
                    "closing_open": "open later", "closing_short": "short later",
                },
                "max_age_s": 3600.0,
                "interpolate": False,
                "options": {
                    "design_frequency_hz": 1.7e9, "bandwidth_level_db": 10.0, "vswr_limit": None,
                    "at_hz": [1.7e9], "antenna": "dipole r3", "dip": "deepest",
                    "free_space": False,
                },
            }  # fmt: skip
    return {**document, "schema_version": 1}


def test_a_job_queued_before_an_update_runs_after_it(
    tmp_path: Path, simulator: Simulator, mosquitto: Mosquitto
) -> None:
    data = tmp_path / "data"
    data.mkdir(mode=0o700)
    sheet = resolve(load_recipe(RECIPE, file="look.yaml"), load_bench(BENCH), {})
    with Store.open(data / "benchd.sqlite") as store:
        job = store.add_job(sheet).id
    older = of_its_day(json.loads(sheet.model_dump_json()))
    with closing(sqlite3.connect(data / "benchd.sqlite")) as database, database:
        new = (digest_of(older), json.dumps(older))
        database.execute("INSERT INTO worksheets (hash, body) VALUES (?, ?)", new)
        database.execute("UPDATE jobs SET worksheet_hash = ?", new[:1])

    daemon = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(daemon):
        daemon.until_state(job, "done")
        results = daemon.http.get("/api/results", params={"job": job}).json()
        found = {one["result"]["quantity"]: one for one in results}
        assert {"return_loss", "vswr", "resonance_frequency", "bandwidth"} <= set(found)
        assert {one["worksheet_hash"] for one in results} == {digest_of(older)}
        assert len(found["return_loss"]["result"]["captures"]) == 5
        again = daemon.http.post(f"/api/jobs/{job}/reduce").json()
        assert {one["id"]: one["result"] for one in again} == {
            one["id"]: one["result"] for one in results
        }
        told = daemon.http.get(f"/api/jobs/{job}/worksheet").json()
        assert told["schema_version"] == 2
        assert told["steps"][-2]["settings"]["baseline"]["closing"]["open"] == "open later"
