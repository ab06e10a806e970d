"""What a published message says, in a few words, for whoever looks over a subscriber's shoulder."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from benchd.report.wording import plain_words, value_words
from benchd.results import Result


def message_words(text: str) -> str:
    """A payload's news: "online", "done", "return_loss 12.2 dB ± 1.0 dB", "pass".

    A payload of an unknown schema is shown as it came, cut after 90 characters.
    """
    try:
        message = json.loads(text)
    except ValueError:
        return text[:90]
    match message:
        case {
            "schema": "benchd.presence/1" | "benchd.job/1" | "benchd.rf/1",
            "state": str(state),
        }:
            return state
        case {"schema": "benchd.epoch/1", "epoch": str(epoch), "sequence": int(sequence)}:
            return f"{epoch}, up to {sequence}"
        case {"schema": "benchd.latest/1", "results": [*results]} if results:
            return "; ".join(_value(one) for one in results)
        case {"schema": "benchd.result/1"}:
            return _value(message)
        case {"schema": "benchd.verdict/1", "quantity": quantity, "limit": limit}:
            return f"{quantity} {limit}: {message.get('outcome')}"
    return text[:90]


def _value(result: Mapping[str, Any]) -> str:
    keys = ("quantity", "value", "unit", "expanded_uncertainty", "coverage_factor", "low", "high")
    fields: dict[str, Any] = {key: result.get(key) for key in keys}
    told = Result(**fields)
    if told.low is None and told.high is None:
        return f"{told.quantity} {plain_words(told.value, told.unit)}"
    return f"{told.quantity} {value_words(told)}"
