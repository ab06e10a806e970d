"""What the settings of every kind of reduction have in common."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Self

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
    """What the settings of a reduction may look at while they are checked.

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

    takes_refined: ClassVar[bool] = False
    """Whether its captures may come from a sweep that reads a part of its grid (`refine: to`)."""

    kind: str = Field(description="kind of reduction")
    name: Label | None = Field(None, description="name of the results; without it, the kind")

    def filled(self, names: Iterable[str]) -> Self:
        """The same settings with every pattern (`night *`) replaced by the matching captures.

        names: captures so far, in order. A pattern that matches none stays as it is, and is later
        reported as a capture that does not exist.
        """
        known = list(names)
        changes = {}
        for key in type(self).model_fields:
            value = getattr(self, key)
            if isinstance(value, list) and any(_is_pattern(one) for one in value):
                changes[key] = [name for one in value for name in _fitting(one, known)]
        return self.model_copy(update=changes) if changes else self

    def check(self, view: View) -> Iterator[Finding]:
        """Faults of the settings, each with its key path below the reduction.

        That the named captures exist was checked before.
        """
        yield from ()

    def resolved(self, view: View) -> Self:
        """The same settings with everything filled in that the recipe leaves open.

        The values come from the bench as it is now. Called after `check` has found no fault.
        """
        return self

    @property
    def reported_hz(self) -> tuple[float, ...]:
        """The frequencies of the key `at`; none for kinds without that key."""
        return tuple(getattr(self, "at_hz", None) or ())

    @classmethod
    def from_stored(cls, document: dict[str, Any]) -> Self:
        """Read the JSON form that `model_dump` writes: attribute names and SI numbers."""
        return cls.model_validate(document, context=STORED)

    @classmethod
    def from_first_form(cls, step: dict[str, Any]) -> Self:
        """Read a reduce step as the first format of worksheets had it (still in old databases)."""
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
        """The settings of such a step other than its inputs, by today's names."""
        return {
            **step.get("options", {}),
            "max_age_s": step.get("max_age_s"),
            "interpolate": step.get("interpolate", False),
        }


def _in_lists(captures: Mapping[str, str]) -> dict[str, Any]:
    """The keys test, test_2, test_3 of an old worksheet as one list; a single one as it is."""
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
