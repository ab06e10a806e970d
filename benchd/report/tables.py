"""CSV, for spreadsheets and scripts: comment lines with provenance and units, a header, rows.

Numbers are written so that they read back to the same double. Comment lines start with "#".
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from benchd.moments import time_words
from benchd.results import ResultRecord
from benchd.traces import Axis, Capture, Form, Trace

RESULT_COLUMNS = (
    "antenna", "quantity", "value", "unit", "low", "high", "expanded_uncertainty",
    "coverage_factor", "frequency_hz", "band_low_hz", "band_high_hz", "flags", "note", "step",
    "recipe", "job", "captures", "reduced_at", "id", "axis", "axis_unit", "axis_value",
)  # fmt: skip


def results_csv(records: Sequence[ResultRecord]) -> str:
    """Results, one a row. `unit` is the unit of value, low, high and expanded_uncertainty."""
    out = io.StringIO()
    comments = [
        "benchd results",
        "value, low, high and expanded_uncertainty are in the unit of the row's `unit` column",
        "low and high are the ends of the 95 % interval; flags and captures are separated by ;",
        "axis, axis_unit and axis_value tell where a result holds: frequency, or another axis",
        *_provenance(records),
    ]
    _write_comments(out, comments)
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(RESULT_COLUMNS)
    for record in records:
        writer.writerow([_cell(value) for value in _result_row(record)])
    return out.getvalue()


def _provenance(records: Sequence[ResultRecord]) -> list[str]:
    benches = dict.fromkeys(record.bench for record in records)
    instruments = dict.fromkeys(
        f"{name} = {identity}"
        for record in records
        for name, identity in record.instruments.items()
    )
    recipes = dict.fromkeys(f"{record.recipe} ({record.recipe_hash})" for record in records)
    return [
        f"bench: {', '.join(benches)}",
        f"recipes: {', '.join(recipes)}",
        *(f"instrument: {text}" for text in instruments),
    ]


def _result_row(record: ResultRecord) -> list[Any]:
    result = record.result
    band = result.band_hz or (None, None)
    at = result.along
    place = (None, None, None) if at is None else (at.name, at.unit, at.value)
    return [
        result.antenna, result.quantity, result.value, result.unit, result.low, result.high,
        result.expanded_uncertainty, result.coverage_factor, result.frequency_hz, *band,
        ";".join(result.flags), result.note, record.step, record.recipe, record.job_id,
        ";".join(result.captures), record.reduced_at.isoformat(), record.id, *place,
    ]  # fmt: skip


def capture_csv(capture: Capture) -> str:
    """All traces of a capture. Traces on one grid share their rows; another grid makes another
    block with its own header, after an empty line."""
    out = io.StringIO()
    _write_comments(out, capture_comments(capture))
    for number, block in enumerate(_by_grid(capture.traces)):
        if number:
            out.write("\n")
        _write_block(out, block)
    return out.getvalue()


def capture_comments(capture: Capture) -> list[str]:
    """Where a capture came from, one line each."""
    settings = "; ".join(
        f"{key}={value}" for key, value in capture.settings.stated().items() if value is not None
    )
    lines = [
        f"benchd capture {capture.id}",
        f"taken: {time_words(capture.taken_at)}",
        f"bench: {capture.bench}; job: {capture.job_id}; step: {capture.step}",
        f"role: {capture.role.value}; route: {capture.route}; position: {capture.position or '-'}; "
        f"antenna: {capture.antenna or '-'}",
        f"sweep: {settings}",
        *(f"instrument: {name} = {text}" for name, text in capture.instruments.items()),
        *(f"fixture: {name} = {text}" for name, text in capture.fixtures.items()),
        *(f"reading: {name} = {value!r}" for name, value in capture.readings.items()),
        f"recipe hash: {capture.recipe_hash}; worksheet hash: {capture.worksheet_hash}",
    ]
    if capture.flags:
        lines.append(f"flags: {', '.join(capture.flags)}")
    return lines


def _by_grid(traces: Sequence[Trace]) -> list[list[Trace]]:
    blocks: dict[tuple[str, bytes], list[Trace]] = {}
    for trace in traces:
        key = (trace.along.name, trace.along.values.tobytes())
        blocks.setdefault(key, []).append(trace)
    return list(blocks.values())


def _write_block(out: io.StringIO, block: Sequence[Trace]) -> None:
    columns: list[tuple[str, list[Any]]] = [_axis_column(block[0].along)]
    for trace in block:
        columns += _columns(trace)
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([name for name, _ in columns])
    for row in zip(*(values for _, values in columns), strict=True):
        writer.writerow([_cell(value) for value in row])


def _axis_column(axis: Axis) -> tuple[str, list[Any]]:
    """Its heading, such as frequency_hz or angle_deg, and its values."""
    return f"{_as_name(axis.name)}_{_as_name(axis.unit)}".lower(), axis.values.tolist()


def _as_name(words: str) -> str:
    return re.sub(r"\W+", "_", words).strip("_")


def _columns(trace: Trace) -> list[tuple[str, list[Any]]]:
    name = _as_name(trace.name) or "trace"
    match trace.form:
        case Form.RATIO_COMPLEX:
            columns = [
                (f"{name}_real", np.real(trace.values).tolist()),
                (f"{name}_imaginary", np.imag(trace.values).tolist()),
            ]
        case Form.LEVEL_DBM:
            columns = [(f"{name}_dbm", trace.values.tolist())]
        case Form.RATIO_DB:
            columns = [(f"{name}_db", trace.values.tolist())]
    if trace.visited is not None:
        columns.append((f"{name}_visited", [int(seen) for seen in trace.visited]))
    return columns


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return repr(value) if isinstance(value, float) else str(value)


def _write_comments(out: io.StringIO, comments: Iterable[str]) -> None:
    for comment in comments:
        out.write("# " + " ".join(comment.split()) + "\n")
