"""Which curves `benchd plot` draws over each other."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchd.cli.overlay import _called, _curves, _Job, plot_over_each_other
from benchd.curves import Curve
from benchd.traces import Form, Trace, frequency_axis
from benchd.web.documents import encode_curves

FREQUENCY_HZ = np.array([1.6e9, 1.7e9, 1.8e9])


def _trace(level_db: float) -> Trace:
    return Trace("return_loss", Form.RATIO_DB, frequency_axis(FREQUENCY_HZ), np.full(3, level_db))


class Answers:
    """A daemon that has one job with three looks."""

    def get(self, path: str) -> Any:
        assert path == "/api/jobs/job-1/traces"
        return encode_curves(
            Curve(
                "return_loss",
                _trace(10.0 + look),
                antenna="dipole r3",
                reduction=f"look {look}",
            )
            for look in (1, 2, 3)
        )


def looks(antenna: str | None, recipe: str = "trim-session") -> list[str]:
    job = _Job("job-1", recipe, "workshop", datetime(2026, 3, 1, tzinfo=UTC), antenna)
    client: Any = Answers()
    return [name for name, _ in _curves(client, job)]


def test_an_antenna_is_drawn_as_its_last_look_left_it_and_a_session_with_every_look() -> None:
    assert looks("dipole r3") == ["look 3"]
    assert looks(None) == ["look 1", "look 2", "look 3"]
    assert looks("dipole r3", recipe="return-loss") == ["", "", ""]


def test_a_name_has_the_jobs_id_only_where_another_curve_has_the_same_name() -> None:
    one = Curve("return_loss", _trace(10.0))
    found = [("dipole r3", "job-1", one), ("dipole r4", "job-2", one), ("dipole r4", "job-3", one)]
    assert [name for name, _ in _called([*found, ("", "job-4", one)])] == [
        "dipole r3", "dipole r4, job-2", "dipole r4, job-3", "job-4",
    ]  # fmt: skip


class TwoJobs:
    """A daemon with a job that has a curve, and one that has none."""

    zone = UTC

    def get(self, path: str, **asked: Any) -> Any:
        if path == "/api/results":
            job = {"dipole r3": "job-1", "dipole r4": "job-2"}[asked["antenna"]]
            return [{"job_id": job, "result": {"quantity": "return_loss"}}]
        job, _, rest = path.removeprefix("/api/jobs/").partition("/")
        if rest == "traces":
            curve = Curve("return_loss", _trace(10.0), antenna="dipole r3")
            return encode_curves([curve] if job == "job-1" else [])
        moment = "2026-03-01T10:00:00+00:00"
        return {"recipe": "return-loss", "bench": "workshop", "ended_at": moment}


def test_an_antenna_without_a_curve_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    client: Any = TwoJobs()
    assert plot_over_each_other(client, ["dipole r3", "dipole r4"], tmp_path)
    said = capsys.readouterr().err
    assert "dipole r4: its newest job, job-2, has no curve." in said
    assert "dipole r3" not in said
