"""What instruments and fixtures of the bench file share: their `kind`, the level they bear."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from benchd.files.fields import KnownOr, Measure
from benchd.units import Kind

LargestLevel = Annotated[
    float | Literal["unknown"], KnownOr(Measure(Kind.LEVEL, least=-200.0, most=100.0))
]


def kind_of(value: Any) -> str | None:
    """The tag of a model by the `kind` that it states, in angle brackets."""
    kind = value.get("kind") if isinstance(value, dict) else getattr(value, "kind", None)
    return f"<{kind}>" if isinstance(kind, str) else None
