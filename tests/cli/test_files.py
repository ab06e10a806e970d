"""Exports, plots and schemas through the commands: files that other programs can read."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import skrf

JOB = "job-0000000000000001"
CAPTURE = "cap-0000000000000001"


def _rows(text: str) -> list[dict[str, str]]:
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def test_a_capture_as_csv_reads_back_to_the_same_numbers(api: Any, benchd: Any, fakes: Any) -> None:
    outcome = benchd("export", CAPTURE, api=api)
    rows = _rows(outcome.out)
    trace = fakes.capture().level
    assert [float(row["frequency_hz"]) for row in rows] == trace.frequency_hz.tolist()
    assert [float(row["level_dbm"]) for row in rows] == trace.values.tolist()
    assert "# instrument: analyzer = Workshop,Analyzer-6G,0001,1.0" in outcome.out


def test_a_capture_as_json_in_a_file(api: Any, benchd: Any, fakes: Any, tmp_path: Path) -> None:
    file = tmp_path / "capture.json"
    outcome = benchd("export", CAPTURE, "--format", "json", "--out", str(file), api=api)
    assert outcome.out == f"{file}\n"
    document = json.loads(file.read_text(encoding="utf-8"))
    assert document["traces"][0]["values"] == fakes.capture().level.values.tolist()
    assert document["capture"]["settings"]["detector"] == "rms"


def test_a_jobs_results_as_csv_and_json_on_stdout(api: Any, benchd: Any) -> None:
    api.desk.add(JOB, "done")
    rows = _rows(benchd("export", JOB, api=api).out)
    assert [(row["quantity"], float(row["value"]), row["unit"]) for row in rows] == [
        ("resonance_frequency", 1.68372e9, "Hz"),
        ("return_loss", 19.96, "dB"),
        ("bandwidth", 0.1301e9, "Hz"),
        ("trim_per_arm", 0.00041, "m"),
    ]
    document = json.loads(benchd("export", JOB, "--format", "json", api=api).out)
    assert (document["job"]["state"], len(document["results"])) == ("done", 4)


def test_a_whole_job_goes_into_a_folder(api: Any, benchd: Any, tmp_path: Path) -> None:
    api.desk.add(JOB, "done")
    folder = tmp_path / "out"
    outcome = benchd("export", JOB, "--out", str(folder), api=api)
    assert outcome.out.splitlines() == [
        str(folder / "results.csv"),
        str(folder / f"{CAPTURE}.csv"),
    ]
    assert sorted(path.name for path in folder.iterdir()) == [f"{CAPTURE}.csv", "results.csv"]


def test_scikit_rf_reads_the_return_loss_of_a_job(
    api: Any, benchd: Any, fakes: Any, tmp_path: Path
) -> None:
    api.desk.add(JOB, "done")
    outcome = benchd("export", JOB, "--format", "touchstone", "--out", str(tmp_path), api=api)
    network = skrf.Network(outcome.out.strip())
    np.testing.assert_allclose(network.f, fakes.FREQUENCY_HZ, rtol=1e-12)
    np.testing.assert_allclose(network.s_db[:, 0, 0], -fakes.return_loss_db(), atol=1e-9)


def test_touchstone_of_a_level_is_refused_with_what_to_do(api: Any, benchd: Any) -> None:
    outcome = benchd("export", CAPTURE, "--format", "touchstone", api=api)
    assert (outcome.code, outcome.out) == (1, "")
    assert outcome.err == (
        'the trace "level" holds values in dBm, not a complex ratio, so it has no Touchstone '
        "form. Export the job instead: its normalised return loss can be written so.\n"
    )


def test_touchstone_of_a_job_needs_a_folder(api: Any, benchd: Any) -> None:
    api.desk.add(JOB, "done")
    outcome = benchd("export", JOB, "--format", "touchstone", api=api)
    assert (outcome.code, outcome.out) == (1, "")
    assert f"Try: benchd export {JOB} --format touchstone --out {JOB}" in outcome.err


def test_an_unknown_id_writes_nothing(api: Any, benchd: Any, tmp_path: Path) -> None:
    for what in ("job-9", "cap-9", "nonsense"):
        outcome = benchd("export", what, "--out", str(tmp_path / "x"), api=api)
        assert (outcome.code, outcome.out) == (1, "")
        assert f'"{what}"' in outcome.err
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_made(api: Any, benchd: Any, tmp_path: Path) -> None:
    api.desk.add(JOB, "done")
    (tmp_path / "file").write_text("")
    outcome = benchd("export", JOB, "--out", str(tmp_path / "file" / "below"), api=api)
    assert outcome.code == 1
    assert outcome.err.startswith("--out: cannot make the folder: ")


def test_plots_of_a_job_and_of_a_capture(api: Any, benchd: Any, tmp_path: Path) -> None:
    api.desk.add(JOB, "done")
    names = ["dipole-return-loss"]
    outcome = benchd("plot", JOB, "--out", str(tmp_path / "job"), api=api)
    expected = [tmp_path / "job" / f"{n}.{ending}" for n in names for ending in ("png", "svg")]
    assert outcome.out.splitlines() == [str(path) for path in expected]
    assert all(path.stat().st_size > 5000 for path in expected)
    svg = expected[1].read_text(encoding="utf-8")
    assert "design 1.7 GHz" in svg
    assert "1 caution: see the worksheet" in svg
    more = benchd("plot", JOB, "--levels", "--out", str(tmp_path / "more"), api=api)
    assert more.out.splitlines() == [
        str(tmp_path / "more" / f"{name}.{ending}")
        for name in ("dipole-return-loss", "dipole-levels")
        for ending in ("png", "svg")
    ]
    one = benchd("plot", CAPTURE, "--out", str(tmp_path / "one"), api=api)
    assert one.out.splitlines() == [
        str(tmp_path / "one" / f"{CAPTURE}-levels.{ending}") for ending in ("png", "svg")
    ]


def test_schemas_are_written_without_a_daemon(benchd: Any, tmp_path: Path) -> None:
    from jsonschema import Draft202012Validator

    outcome = benchd("schemas", "--out", str(tmp_path / "s"))
    assert outcome.code == 0
    names = {Path(line).name for line in outcome.out.splitlines()}
    assert {"recipe.schema.json", "bench.schema.json", "benchd-result-1.schema.json"} <= names
    for path in (tmp_path / "s").iterdir():
        Draft202012Validator.check_schema(json.loads(path.read_text(encoding="utf-8")))
