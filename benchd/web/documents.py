"""The JSON form of jobs, captures, traces and results, and the way back.

One form for the API and for the files that `benchd export` writes. Finite numbers travel exactly
(shortest decimal that reads back to the same double). JSON has no infinity and no NaN: they are
the strings "Infinity", "-Infinity" and "NaN".
"""

from __future__ import annotations

import dataclasses
import functools
import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from enum import Enum
from typing import Any

import numpy as np
from pydantic import BaseModel, TypeAdapter, ValidationError

from benchd.curves import Curve, as_traces
from benchd.moments import utc_text
from benchd.results import Result, ResultRecord, Verdict
from benchd.sweeps import SweepAsRun
from benchd.traces import Axis, Capture, Form, Role, Trace, frequency_axis
from benchd.units import FREQUENCY
from benchd.wording import result_text

_RECORDS: TypeAdapter[list[ResultRecord]] = TypeAdapter(list[ResultRecord])
_VERDICTS: TypeAdapter[list[Verdict]] = TypeAdapter(list[Verdict])
_NOT_FINITE = {"Infinity": math.inf, "-Infinity": -math.inf, "NaN": math.nan}


class FormError(ValueError):
    """A document is not in the form that this module writes."""


def encode(value: Any) -> Any:
    """Anything that benchd's rooms hand over, as plain JSON values.

    Raises TypeError for an object that has no JSON form.
    """
    kind = type(value)
    if kind in _AS_THEY_ARE or (kind is float and math.isfinite(value)):
        return value
    return _turn_of(kind)(value)  # type: ignore[arg-type]  # every type is hashable


@functools.lru_cache(maxsize=500)
def _turn_of(kind: type) -> Callable[[Any], Any]:
    """How values of one type become JSON; found once for each type, since lists hold thousands.

    Raises TypeError for a type without a JSON form.
    """
    if issubclass(kind, int) and not issubclass(kind, Enum):
        return lambda value: value
    if issubclass(kind, float):
        return lambda value: _number(float(value))
    for wanted, turn in _TURNS:
        if issubclass(kind, wanted):
            return turn  # type: ignore[no-any-return]
    if dataclasses.is_dataclass(kind):
        return _fields_encoder(kind)
    raise TypeError(f"{kind.__name__} has no JSON form")


def _fields_encoder(kind: type) -> Callable[[Any], dict[str, Any]]:
    names = tuple(f.name for f in dataclasses.fields(kind) if not f.name.startswith("_"))

    def encoded(value: Any) -> dict[str, Any]:
        found = {}
        for name in names:
            item = getattr(value, name)
            found[name] = item if type(item) in _AS_THEY_ARE else encode(item)
        return found

    return encoded


def _number(value: float) -> float | str:
    if math.isfinite(value):
        return value
    return "NaN" if math.isnan(value) else ("Infinity" if value > 0 else "-Infinity")


def encode_result(result: Result) -> dict[str, Any]:
    """A result, with its value and interval for a person as `text` beside the full numbers.

    place: where it holds along the axis of its trace, frequency included."""
    words = {"place": encode(result.along), "text": result_text(result)}
    return {**_result_fields(result), **words}


def encode_trace(trace: Trace) -> dict[str, Any]:
    """A trace; complex values as two lists, `real` and `imaginary`.

    Over anything but frequency it has `axis` (name, unit, values) in place of `frequency_hz`.
    """
    document: dict[str, Any] = {
        "name": trace.name,
        "form": trace.form.value,
        **_encode_axis(trace.along),
    }
    if trace.form is Form.RATIO_COMPLEX:
        document["real"] = encode(np.real(trace.values).tolist())
        document["imaginary"] = encode(np.imag(trace.values).tolist())
    else:
        document["values"] = encode(trace.values.tolist())
    if trace.visited is not None:
        document["visited"] = trace.visited.tolist()
    return document


def _encode_axis(axis: Axis) -> dict[str, Any]:
    values = encode(axis.values.tolist())
    if axis.name == FREQUENCY:
        return {"frequency_hz": values}
    return {"axis": {"name": axis.name, "unit": axis.unit, "values": values}}


def encode_curves(curves: Iterable[Curve]) -> list[dict[str, Any]]:
    """Curves, and the ends of their intervals, each as a trace that says what it is of.

    reduction, antenna, quantity, part: as in `benchd.curves.Curve`. end: "low" or "high" of the
    95 % interval, "" for the curve itself.
    """
    return [
        {
            **encode_trace(one.trace),
            "reduction": one.curve.reduction,
            "antenna": one.curve.antenna,
            "quantity": one.curve.quantity,
            "part": one.curve.part,
            "end": one.end,
        }
        for one in as_traces(curves)
    ]


def encode_capture(capture: Capture) -> dict[str, Any]:
    """A capture without its traces' values: `traces` holds their names, forms and lengths,
    `trace_sha256` their checksums in the same order (`Trace.sha256`)."""
    fields = {f.name: getattr(capture, f.name) for f in dataclasses.fields(Capture)}
    fields.pop("traces")
    document: dict[str, Any] = encode(fields)
    document["traces"] = [
        {"name": t.name, "form": t.form.value, "points": int(t.along.values.size)}
        for t in capture.traces
    ]
    document["trace_sha256"] = [t.sha256 for t in capture.traces]
    return document


_AS_THEY_ARE = frozenset({str, int, bool, type(None)})
_result_fields = _fields_encoder(Result)
_TURNS: tuple[tuple[type | tuple[type, ...], Any], ...] = (
    (Enum, lambda value: encode(value.value)),
    (str, str),
    (datetime, utc_text),
    (Trace, encode_trace),
    (Capture, encode_capture),
    (Result, encode_result),
    (SweepAsRun, lambda value: encode(value.stated())),
    (BaseModel, lambda value: encode(value.model_dump(mode="python"))),
    (Mapping, lambda value: {str(key): encode(item) for key, item in value.items()}),
    ((list, tuple, set, frozenset), lambda value: [encode(item) for item in value]),
    ((np.generic, np.ndarray), lambda value: encode(value.tolist())),
)


def to_text(value: Any, *, indent: int | None = None) -> str:
    """`encode`, then JSON text."""
    return json.dumps(encode(value), ensure_ascii=False, allow_nan=False, indent=indent)


def decode_trace(document: Mapping[str, Any]) -> Trace:
    """Inverse of `encode_trace`. Raises FormError."""
    try:
        form = Form(document["form"])
        if form is Form.RATIO_COMPLEX:
            values: Any = np.empty(len(document["real"]), dtype=np.complex128)
            values.real = _floats(document["real"])
            values.imag = _floats(document["imaginary"])
        else:
            values = _floats(document["values"])
        visited = document.get("visited")
        return Trace(
            name=str(document["name"]),
            form=form,
            axis=_decode_axis(document),
            values=values,
            visited=None if visited is None else np.asarray(visited, dtype=np.bool_),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise FormError(f"this is not a trace: {error}") from error


def _decode_axis(document: Mapping[str, Any]) -> Axis:
    if "axis" not in document:
        return frequency_axis(_floats(document["frequency_hz"]))
    axis = document["axis"]
    return Axis(str(axis["name"]), str(axis["unit"]), _floats(axis["values"]))


def decode_curves(documents: Sequence[Mapping[str, Any]]) -> list[Curve]:
    """Inverse of `encode_curves`. Raises FormError."""
    curves: list[Curve] = []
    try:
        for document in documents:
            trace = decode_trace(document)
            if document["end"] == "low":
                curves[-1] = dataclasses.replace(curves[-1], low=trace.decibels)
                continue
            if document["end"] == "high":
                curves[-1] = dataclasses.replace(curves[-1], high=trace.decibels)
                continue
            words = {key: document[key] for key in ("antenna", "part", "reduction")}
            curves.append(Curve(str(document["quantity"]), trace, **words))
    except (KeyError, TypeError, IndexError, ValueError) as error:
        raise FormError(f"this is not a curve: {error}") from error
    return curves


def _floats(values: list[Any]) -> Any:
    numbers = [_NOT_FINITE[item] if isinstance(item, str) else item for item in values]
    return np.asarray(numbers, dtype=np.float64)


def decode_capture(document: Mapping[str, Any], traces: list[Trace]) -> Capture:
    """A capture from `encode_capture`'s document and its traces. Raises FormError."""
    try:
        fields = {f.name: document[f.name] for f in dataclasses.fields(Capture)}
        fields["traces"] = tuple(traces)
        fields["settings"] = SweepAsRun.model_validate(fields["settings"])
        fields["role"] = Role(fields["role"])
        fields["flags"] = tuple(fields["flags"])
        fields["taken_at"] = datetime.fromisoformat(fields["taken_at"])
        return Capture(**fields)
    except (KeyError, TypeError, ValueError) as error:
        raise FormError(f"this is not a capture: {error}") from error


def decode_records(documents: list[Any]) -> list[ResultRecord]:
    """Result records from their JSON form. Raises FormError."""
    try:
        return _RECORDS.validate_python(documents)
    except ValidationError as error:
        raise FormError(f"these are not results: {error}") from error


def decode_verdicts(documents: list[Any]) -> list[Verdict]:
    """Verdicts from their JSON form. Raises FormError."""
    try:
        return _VERDICTS.validate_python(documents)
    except ValidationError as error:
        raise FormError(f"these are not verdicts: {error}") from error
