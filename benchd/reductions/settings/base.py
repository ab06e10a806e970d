"""What every kind of reduction declares, and the registry that finds them.

A new kind is one new file in this folder: a model with the decorator `reduction("its-kind")`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, TypeVar

from pydantic import Field

from benchd.bench import Bench
from benchd.files.fields import Frequency, Label, ListOrOne, Words
from benchd.files.filemodel import FileModel
from benchd.units import Kind
from benchd.worksheet import CaptureStep

Finding = tuple[tuple[str | int, ...], str]

NEWEST = "newest"


CapturePattern = Annotated[
    str,
    Words(
        'the name of a capture, or the start of several names with * at its end ("night *")',
        r"[^\W_][\w .,()-]*\*?",
        61,
    ),
]
CapturePatterns = Annotated[list[CapturePattern], Field(min_length=1), ListOrOne()]
CaptureNames = Annotated[list[Label], Field(min_length=1, max_length=100), ListOrOne()]
Frequencies = Annotated[list[Frequency], Field(min_length=1, max_length=1001), ListOrOne()]


@dataclass(frozen=True)
class View:
    """What a reduction may look at when it checks itself.

    captures: capture steps before this one, by name.
    """

    bench: Bench
    captures: Mapping[str, CaptureStep]


class Reduction(FileModel):
    """Base of all reductions.

    quantities: what it can give, and the kind of quantity its limits are written in; None for
        a plain number.
    """

    quantities: ClassVar[Mapping[str, Kind | None]] = {}

    kind: str = Field(description="kind of reduction")
    name: Label | None = Field(None, description="name of the results; without it, the kind")

    def filled(self, names: Iterable[str]) -> Reduction:
        """This reduction with every pattern (`night *`) replaced by the captures that fit it.

        names: captures so far, in order. A pattern that fits none stays as it is, and is then
        reported as a capture that is not there.
        """
        known = list(names)
        changes = {}
        for key in type(self).model_fields:
            value = getattr(self, key)
            if isinstance(value, list) and any(_is_pattern(one) for one in value):
                changes[key] = [name for one in value for name in _fitting(one, known)]
        return self.model_copy(update=changes) if changes else self

    def inputs(self) -> dict[str, str]:
        """Input -> name of a capture of this recipe. Further ones of a list: input_2, input_3."""
        return {}

    def baseline_inputs(self) -> dict[str, str]:
        """Role -> name of a capture of this recipe, or `newest`."""
        return {}

    def options(self, view: View) -> dict[str, Any]:
        """The reduction's own settings as plain SI data. Called after `check` found nothing."""
        return {}

    def check(self, view: View) -> Iterator[Finding]:
        """What does not fit, with its key path below the reduction. Inputs exist already."""
        yield from ()

    @property
    def oldest_s(self) -> float | None:
        """Greatest age of a stored baseline, seconds; None where the recipe does not say."""
        return None

    @property
    def may_interpolate(self) -> bool:
        """True where the recipe allows a baseline on another grid."""
        return False


_REGISTRY: dict[str, type[Reduction]] = {}
R = TypeVar("R", bound=type[Reduction])


def reduction(kind: str) -> Callable[[R], R]:
    """Register a kind of reduction."""

    def register(model: R) -> R:
        if kind in _REGISTRY:
            raise ValueError(f"the reduction {kind!r} is registered twice")
        _REGISTRY[kind] = model
        return model

    return register


def registered() -> dict[str, type[Reduction]]:
    """All kinds known, by name."""
    return dict(_REGISTRY)


def _is_pattern(value: Any) -> bool:
    return isinstance(value, str) and value.endswith("*")


def _fitting(one: Any, names: list[str]) -> list[Any]:
    if not _is_pattern(one):
        return [one]
    return [name for name in names if name.startswith(one[:-1])] or [one]


def spread(key: str, names: list[str]) -> dict[str, str]:
    """A list of captures as inputs: key, key_2, key_3."""
    return {key if index == 0 else f"{key}_{index + 1}": name for index, name in enumerate(names)}
