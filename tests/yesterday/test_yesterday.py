"""A database of an earlier benchd opens, is read whole, and reduces to the numbers it holds.

The databases beside this file were made by the daemon on two virtual benches (`record.py`), with
the bench files of that day. What a later change of the statistics rightly alters stands in
`changed.json`, result by result, field by field: nothing else may differ. After such a change

    python -m tests.yesterday accept

writes it anew; its difference belongs into the same commit, with the reason. A value listed there
must still lie inside the interval that was stated before, and the value of before inside the
interval now: better statistics may say another interval, not another antenna.
"""

from __future__ import annotations

import hashlib
import io
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.yesterday.again import (
    BENCHES,
    CHANGED,
    CURVES,
    SAME,
    Again,
    as_fields,
    by_name,
    differing,
    gist,
    same,
    unpacked,
)


@pytest.fixture(params=BENCHES)
def again(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Again]:
    """Each kept database, opened by today's code."""
    opened = Again.opened(request.param, tmp_path)
    with opened.store:
        yield opened


def rows(bench: str, folder: Path, query: str) -> list[dict[str, Any]]:
    """Rows of the database as it was kept, by SQLite alone."""
    folder.mkdir()
    with closing(sqlite3.connect(unpacked(bench, folder))) as connection:
        connection.row_factory = sqlite3.Row
        return [dict(row) for row in connection.execute(query)]


def plain(value: Any) -> Any:
    """A stored JSON value without our marks for tuples, times and infinities."""
    if isinstance(value, list):
        return [plain(item) for item in value]
    if not isinstance(value, dict):
        return value
    if len(value) == 1:
        ((key, inner),) = value.items()
        if key == "$tuple":
            return [plain(item) for item in inner]
        if key == "$float":
            return float(inner)
        if key in ("$time", "$dict"):
            return inner
    return {key: plain(item) for key, item in value.items()}


def test_every_capture_reads_as_its_bytes_say(again: Again, tmp_path: Path) -> None:
    kept = rows(again.bench, tmp_path / "raw", "SELECT * FROM captures ORDER BY id")
    assert len(kept) > 20
    points = rows(again.bench, tmp_path / "points", "SELECT * FROM traces")
    for row in kept:
        capture = again.store.capture(row["id"])
        detail = plain(json.loads(row["detail"]))
        assert (capture.step, capture.role, capture.route, capture.antenna) == (
            row["step"], row["role"], row["route"], row["antenna"],
        )  # fmt: skip
        assert list(capture.flags) == detail["flags"]
        assert capture.readings == detail["readings"]
        assert capture.fixtures == detail["fixtures"]
        assert capture.instruments == detail["instruments"]
        assert capture.settings.stated() == detail["settings"]
        stored = [trace for trace in points if trace["capture_id"] == row["id"]]
        assert len(stored) == len(capture.traces)
        for trace, found in zip(
            capture.traces, sorted(stored, key=lambda one: one["ordinal"]), strict=True
        ):
            assert hashlib.sha256(found["data"]).hexdigest() == found["sha256"]
            arrays = np.load(io.BytesIO(found["data"]))
            assert trace.name == found["name"]
            assert trace.frequency_hz.tobytes() == arrays["frequency_hz"].tobytes()
            assert trace.values.tobytes() == arrays["values"].tobytes()


def test_every_result_reads_as_its_row_says(again: Again, tmp_path: Path) -> None:
    kept = rows(again.bench, tmp_path / "raw", "SELECT * FROM results")
    assert len(kept) > 50
    for row in kept:
        record = again.store.result(row["id"])
        said = plain(json.loads(row["body"]))
        assert (record.step, record.recipe, record.recipe_hash) == (
            said["step"], said["recipe"], said["recipe_hash"],
        )  # fmt: skip
        fields = as_fields(record.result)
        result = said["result"]
        budget = result["budget"]
        for name in ("value", "low", "high", "expanded_uncertainty", "unit", "flags", "captures"):
            assert fields[name] == result[name], name
        assert record.result.frequency_hz == result["frequency_hz"]
        assert (fields.get("budget") is None) == (budget is None)
        if budget is not None:
            terms = [list(term.values()) for term in budget.pop("terms")]
            assert same(fields["budget"], budget)
            assert same(fields["terms"], terms)


def test_stored_captures_reduce_to_the_numbers_that_were_stored(again: Again) -> None:
    """Every job, every result, verdict and curve; differences only where they are meant."""
    meant = json.loads(CHANGED.read_text("utf-8"))
    curves = json.loads(CURVES.read_text("utf-8"))
    for job in again.jobs():
        records, verdicts, traces = again.reduced(job.id)
        then, now = by_name(job, again.stored(job.id)), by_name(job, records)
        expected = {name: fields for name, fields in meant.items() if name.startswith(job.id)}
        found = differing(then, now)
        assert found.keys() == expected.keys(), f"{job.recipe}: not the same as stored"
        for name, fields in found.items():
            assert same(fields, expected[name]), (job.recipe, name, fields, expected[name])
            assert_the_same_antenna(then.get(name), now.get(name))
        was = again.store.verdicts(job.id)
        if not expected:
            assert [one.outcome for one in verdicts] == [one.outcome for one in was]
            assert [one.limit for one in verdicts] == [one.limit for one in was]
        for curve in traces:
            assert same(gist(curve), curves[f"{job.id} {curve.name}"]), (job.recipe, curve.name)


def assert_the_same_antenna(then: dict[str, Any] | None, now: dict[str, Any] | None) -> None:
    """Values within the intervals of each other's day, as far as both state one."""
    if then is None or now is None:
        return
    for one, other in ((then, now), (now, then)):
        if one["low"] is not None:
            assert other["value"] >= one["low"] - SAME
        if one["high"] is not None:
            assert other["value"] <= one["high"] + SAME


def test_the_comparison_sees_the_last_digits() -> None:
    """A number that moves by a millionth of itself is another number."""
    then = {"a": {"value": 1.7e9, "flags": ["near-noise"]}}
    assert differing(then, {"a": {"value": 1.7e9 * (1 + 1e-6), "flags": ["near-noise"]}}) == {
        "a": {"value": 1.7e9 * (1 + 1e-6)}
    }
    assert differing(then, {"a": {"value": 1.7e9, "flags": []}}) == {"a": {"flags": []}}
    assert differing(then, {}) == {"a": "gone"}
