"""A trace over an angle, and a result at an angle of it, from the store to whoever asks."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchd.report.tables import capture_csv, results_csv
from benchd.results import Place, ResultRecord
from benchd.store import Store
from benchd.traces import Axis, Capture, Form, Trace
from benchd.web import documents
from tests.store import examples

ANGLES_DEG = np.array([-60.0, -30.0, 0.0, 30.0, 60.0])


@pytest.fixture
def pattern(tmp_path: Path) -> tuple[Store, Capture, ResultRecord]:
    """A cut through a pattern, stored, and its gain at -30 degrees."""
    axis = Axis("angle", "deg", ANGLES_DEG)
    level = Trace("level", Form.LEVEL_DBM, axis, np.array([-52.0, -44.5, -41.0, -44.0, -53.0]))
    store = Store.open(tmp_path / "bench.db")
    job = store.add_job(examples.worksheet())
    capture = examples.capture(job.id, traces=(level,))
    record = examples.record(
        job.id, quantity="realised_gain", unit="dBi", band_hz=None, place=Place("angle", "deg", -30)
    )
    store.commit_capture(capture, step_index_after=1, trace_points=100)
    store.commit_results(job.id, "cut", [record], step_index_after=2)
    return store, capture, record


async def test_it_survives_the_store_and_the_api(
    start: Any, pattern: tuple[Store, Capture, ResultRecord]
) -> None:
    store, capture, record = pattern
    (kept,) = store.results()
    assert kept == record
    assert kept.result.along == Place("angle", "deg", -30)
    api = await start()
    api.desk.captured = {capture.id: store.capture(capture.id)}
    api.desk.reduced = {record.job_id: [kept]}
    told = (await api.client.get("/api/results", params={"job": record.job_id})).json()
    assert told[0]["result"]["place"] == {"name": "angle", "unit": "deg", "value": -30.0}
    assert documents.decode_records(told) == [record]
    described = (await api.client.get(f"/api/captures/{capture.id}")).json()
    assert described["traces"][0]["points"] == 5
    answer = await api.client.get(f"/api/captures/{capture.id}/trace")
    assert answer.status_code == 200, answer.text
    (document,) = answer.json()
    back = documents.decode_trace(document)
    assert (back.along.name, back.along.unit) == ("angle", "deg")
    np.testing.assert_array_equal(back.along.values, ANGLES_DEG)
    np.testing.assert_array_equal(back.values, capture.level.values)
    assert back.sha256 == capture.level.sha256


def test_subscribers_and_spreadsheets_read_the_angle(
    pattern: tuple[Store, Capture, ResultRecord],
) -> None:
    store, capture, record = pattern
    found = [json.loads(row.payload) for row in store.outbox_pending("workshop")]
    payloads = [one for one in found if isinstance(one, dict)]
    (result,) = [one for one in payloads if one["schema"] == "benchd.result/1"]
    assert result["place"] == {"name": "angle", "unit": "deg", "value": -30.0}
    (trace,) = [one for one in payloads if one["schema"] == "benchd.trace/1"]
    assert trace["frequency_hz"] == []
    assert trace["axis"] == {"name": "angle", "unit": "deg", "values": ANGLES_DEG.tolist()}
    (row,) = _rows(results_csv([record]))
    assert (row["axis"], row["axis_unit"], float(row["axis_value"])) == ("angle", "deg", -30.0)
    assert [float(row["angle_deg"]) for row in _rows(capture_csv(capture))] == ANGLES_DEG.tolist()


def test_a_place_on_the_axis_of_frequency_is_told_in_the_same_words(fakes: Any) -> None:
    record = fakes.records()[1]
    assert documents.encode(record)["result"]["place"] == {
        "name": "frequency", "unit": "Hz", "value": 1.7e9,
    }  # fmt: skip
    assert documents.decode_records([documents.encode(record)]) == [record]
    (row,) = _rows(results_csv([record]))
    assert (row["axis"], row["axis_unit"], row["axis_value"]) == ("frequency", "Hz", "1700000000.0")


def _rows(text: str) -> list[dict[str, str]]:
    body = [line for line in text.splitlines() if not line.startswith("#")]
    return list(csv.DictReader(io.StringIO("\n".join(body))))
