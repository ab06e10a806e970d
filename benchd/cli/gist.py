"""What a published message says, in a few words, for whoever looks over a subscriber's shoulder."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from benchd.units import show


def gist(text: str) -> str:
    """A payload's news: "online", "done", "return_loss 12.18 dB, 11.2 dB to 13.23 dB", "pass".

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
    numbers = (result["value"], result.get("low"), result.get("high"))
    value, *ends = (None if n is None else show(n, result["unit"], precision=4) for n in numbers)
    interval = "" if None in ends else f", {ends[0]} to {ends[1]}"
    return f"{result['quantity']} {value}{interval}"
