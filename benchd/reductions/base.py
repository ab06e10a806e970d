"""What the settings of every kind of reduction have in common."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Self

from pydantic import Field

from benchd.bench import Bench
from benchd.files.fields import STORED, Frequency, Label, ListOrOne, Words
from benchd.files.filemodel import FileModel
from benchd.worksheet import CaptureStep, ReductionSettings

Finding = tuple[tuple[str | int, ...], str]

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


class Reduction(FileModel, ReductionSettings):
    """Settings of one kind of reduction, as a recipe says them.

    A kind adds its own keys, tells with `inputs` and `baselines` which captures it needs, checks
    itself with `check`, and with `resolved` fills in what a bench or a sweep says where the recipe
    says nothing. What it can give stands in `benchd.quantities`.
    """

    kind: str = Field(description="kind of reduction")
    name: Label | None = Field(None, description="name of the results; without it, the kind")

    def filled(self, names: Iterable[str]) -> Self:
        """The same with every pattern (`night *`) replaced by the captures that fit it.

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

    def check(self, view: View) -> Iterator[Finding]:
        """What does not fit, with its key path below the reduction. Inputs exist already."""
        yield from ()

    def resolved(self, view: View) -> Self:
        """The same with what the recipe left open, as it holds now. Called once `check` found
        nothing."""
        return self

    @property
    def reported_hz(self) -> tuple[float, ...]:
        """From `at`, where a kind has that key."""
        return tuple(getattr(self, "at_hz", None) or ())

    @classmethod
    def from_stored(cls, document: dict[str, Any]) -> Self:
        """From the JSON form that `model_dump` gives: attribute names and SI numbers."""
        return cls.model_validate(document, context=STORED)

    @classmethod
    def from_first_form(cls, step: dict[str, Any]) -> Self:
        """From a reduce step as worksheets of the first form had it."""
        told = {
            "kind": step["reduction"],
            **_in_lists(step["captures"]),
            **cls.of_first_form(step),
        }
        fields = cls.model_fields
        keys = {*fields, *(field.alias for field in fields.values())}
        return cls.from_stored(
            {key: value for key, value in told.items() if key in keys and value not in (None, [])}
        )

    @classmethod
    def of_first_form(cls, step: dict[str, Any]) -> dict[str, Any]:
        """What stood apart from the inputs in such a step, by today's names."""
        return {
            **step.get("options", {}),
            "max_age_s": step.get("max_age_s"),
            "interpolate": step.get("interpolate", False),
        }


def _in_lists(captures: Mapping[str, str]) -> dict[str, Any]:
    """test, test_2, test_3 of a worksheet of the first form as one list; a single one as it is."""
    found: dict[str, list[str]] = {}
    for key, name in captures.items():
        base, _, number = key.rpartition("_")
        found.setdefault(base if number.isdigit() else key, []).append(name)
    return {key: names if len(names) > 1 else names[0] for key, names in found.items()}


def _is_pattern(value: Any) -> bool:
    return isinstance(value, str) and value.endswith("*")


def _fitting(one: Any, names: list[str]) -> list[Any]:
    if not _is_pattern(one):
        return [one]
    return [name for name in names if name.startswith(one[:-1])] or [one]
