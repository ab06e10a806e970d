"""Values to JSON text and back without loss.

JSON has no infinity, no NaN, no time and no tuple, so these are written as objects with one
key that starts with `$`: {"$float": "inf"}, {"$time": "..."}, {"$tuple": [...]}. Finite floats
are written by `repr`, which reads back to the same number (Python language reference).
"""

from __future__ import annotations

import json
import math
from datetime import datetime
from typing import Any

import numpy as np
from pydantic_core import from_json

from benchd.results import Budget, Place, Result, ResultRecord, Term, Verdict
from benchd.store.errors import StoreDamaged

_AS_THEY_ARE = frozenset({str, int, bool, type(None)})
_FLAT = _AS_THEY_ARE | {float}


def pack(value: Any) -> Any:
    """A JSON-able form of plain values. Raises TypeError on any other type."""
    # Most values are of these types; they are told apart first, since results hold hundreds.
    kind = type(value)
    if kind in _AS_THEY_ARE or (kind is float and math.isfinite(value)):
        return value
    match value:
        case None | bool() | str():
            return value
        case np.generic():
            return pack(value.item())
        case int():
            return value
        case float():
            return value if math.isfinite(value) else {"$float": repr(value)}
        case complex():
            return {"$complex": [pack(value.real), pack(value.imag)]}
        case datetime():
            return {"$time": value.isoformat()}
        case tuple():
            return {"$tuple": [pack(item) for item in value]}
        case list():
            return [pack(item) for item in value]
        case dict():
            return _pack_dict(value)
    raise TypeError(f"{type(value).__name__} cannot be stored: {value!r}")


def _pack_dict(value: dict[Any, Any]) -> dict[str, Any]:
    for key in value:
        if not isinstance(key, str):
            raise TypeError(f"only text keys can be stored, found {list(value)!r}")
    packed = {
        key: (
            item
            if (kind := type(item)) in _AS_THEY_ARE or (kind is float and math.isfinite(item))
            else pack(item)
        )
        for key, item in value.items()
    }
    # A dictionary that looks like one of these special objects is wrapped, so that it is read back
    # as a dictionary.
    if len(packed) == 1 and next(iter(packed)).startswith("$"):
        return {"$dict": packed}
    return packed


def unpack(value: Any) -> Any:
    """Inverse of `pack`. Values come from JSON text: no other types than its own."""
    kind = type(value)
    if kind is list:
        return [item if type(item) in _FLAT else unpack(item) for item in value]
    if kind is not dict:
        return value
    if len(value) == 1:
        match value:
            case {"$float": str(text)}:
                return float(text)
            case {"$complex": [real, imag]}:
                return complex(unpack(real), unpack(imag))
            case {"$time": str(text)}:
                return datetime.fromisoformat(text)
            case {"$tuple": list(items)}:
                return tuple(unpack(item) for item in items)
            case {"$dict": dict(inner)}:
                return {key: unpack(item) for key, item in inner.items()}
    return {key: item if type(item) in _FLAT else unpack(item) for key, item in value.items()}


def dumps(value: Any) -> str:
    """Plain values as JSON text."""
    # ASCII with escapes. Only in this form can every database store every text, also one with half
    # a surrogate pair or U+0000.
    return json.dumps(pack(value), separators=(",", ":"), allow_nan=False)


def loads(text: str) -> Any:
    """Inverse of `dumps`. Raises StoreDamaged if the text is not JSON."""
    try:
        return unpack(_parsed(text))
    except ValueError as error:
        raise StoreDamaged(f"a stored value is damaged: {error}") from error


def _parsed(text: str) -> Any:
    """JSON text as Python values. Raises ValueError."""
    try:
        # Twice as fast, and equal texts become one. It refuses half a surrogate pair, which the
        # standard library takes.
        return from_json(text, cache_strings="all")
    except ValueError:
        return json.loads(text)


def _fields(value: Any) -> dict[str, Any]:
    # Not dataclasses.asdict: that would turn nested results into dictionaries that no longer
    # know their type, and copies every value deeply.
    return {name: getattr(value, name) for name in value.__slots__}


def _result_fields(result: Result) -> dict[str, Any]:
    fields = _fields(result)
    if result.budget is not None:
        budget = _fields(result.budget)
        budget["terms"] = [_fields(term) for term in result.budget.terms]
        fields["budget"] = budget
    # Left out where it says nothing: results along frequency are stored as they always were.
    place = fields.pop("place")
    return fields if place is None else {**fields, "place": _fields(place)}


def _result(fields: dict[str, Any]) -> Result:
    budget = fields.get("budget")
    if budget is not None:
        terms = tuple(Term(**term) for term in budget["terms"])
        fields = {**fields, "budget": Budget(**{**budget, "terms": terms})}
    if "place" in fields:
        fields = {**fields, "place": Place(**fields["place"])}
    return Result(**fields)


def record_to_text(record: ResultRecord) -> str:
    """A result with its budget and provenance, lossless."""
    return dumps({**_fields(record), "result": _result_fields(record.result)})


def record_from_text(text: str) -> ResultRecord:
    """Inverse of `record_to_text`."""
    fields = loads(text)
    return ResultRecord(**{**fields, "result": _result(fields["result"])})


def verdict_to_text(verdict: Verdict) -> str:
    """A verdict with the result it was made on, lossless."""
    result = None if verdict.result is None else _result_fields(verdict.result)
    return dumps({**_fields(verdict), "result": result})


def verdict_from_text(text: str) -> Verdict:
    """Inverse of `verdict_to_text`."""
    fields = loads(text)
    result = fields["result"]
    return Verdict(**{**fields, "result": None if result is None else _result(result)})
