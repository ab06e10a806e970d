"""Kinds of reduction by name: those of benchd, and those of other installed packages.

A kind consists of a model of its settings and a function with the decorator `reduction`. The kinds
in the modules of `benchd.reductions` are found without a list. Another package adds kinds by naming
its module in the entry point group `benchd.reductions`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from typing import Any, ClassVar, TypeVar, get_args

from pydantic import ConfigDict, model_validator

from benchd.errors import ReductionRefused
from benchd.files.fields import wrong
from benchd.known.captures import BenchKnowledge, JobCaptures
from benchd.reductions.base import Reduction
from benchd.reductions.outcome import Outcome
from benchd.worksheet import SETTINGS_MODELS

GROUP = "benchd.reductions"

S = TypeVar("S", bound=Reduction)
Reduce = Callable[[S, JobCaptures, BenchKnowledge], Outcome]


@dataclass(frozen=True)
class Kind:
    """One kind of reduction: the model of its settings, and the function that reduces captures."""

    settings: type[Reduction]
    reduce: Reduce[Any]


_KINDS: dict[str, Kind] = {}
_BROKEN: dict[str, str] = {}


def reduction(settings: type[S]) -> Callable[[Reduce[S]], Reduce[S]]:
    """Register a kind of reduction: the model of its settings, and the decorated function.

    The function gets the settings, the job's captures and what is known of the bench. Raises
    ValueError if the kind is registered already, or if the settings do not name their kind.
    """
    kind = _kind_of(settings)

    def enter(reduce: Reduce[S]) -> Reduce[S]:
        if kind in _KINDS:
            raise ValueError(f"the reduction {kind!r} is entered twice")
        _KINDS[kind] = Kind(settings, reduce)
        SETTINGS_MODELS[kind] = settings
        return reduce

    return enter


def _kind_of(settings: type[Reduction]) -> str:
    words = get_args(settings.model_fields["kind"].annotation)
    if len(words) != 1 or not isinstance(words[0], str):
        raise ValueError(f'{settings.__name__} needs a field `kind: Literal["its-kind"]`')
    return words[0]


def kinds() -> dict[str, Kind]:
    """All kinds by name."""
    return dict(_KINDS)


def enter_foreign() -> None:
    """Import the modules that installed packages name in the entry point group, which registers
    their kinds."""
    for entry in entry_points(group=GROUP):
        try:
            entry.load()
        # A package from elsewhere may fail in any way while it is imported.
        except Exception as error:
            _enter_broken(entry, error)


def _enter_broken(entry: EntryPoint, error: Exception) -> None:
    """Register a kind that could not be imported, so that a recipe that uses it, or reducing again,
    is refused with the reason."""
    text = f'the reduction "{entry.name}" ({entry.value}) cannot be loaded: {error}'
    _BROKEN[entry.name] = text
    if entry.name in _KINDS:
        return  # a kind of this name is registered already and stays

    class Broken(_Broken):
        why = text

    def reduce(settings: Any, captures: JobCaptures, known: BenchKnowledge) -> Outcome:
        raise ReductionRefused(text, where=captures.step)

    _KINDS[entry.name] = Kind(Broken, reduce)


def broken() -> dict[str, str]:
    """Name -> reason, for the kinds of installed packages that cannot be loaded."""
    return dict(_BROKEN)


class _Broken(Reduction):
    model_config = ConfigDict(frozen=True, extra="allow")
    why: ClassVar[str] = ""

    @model_validator(mode="before")
    @classmethod
    def _refuse(cls, data: Any) -> Any:
        raise wrong(cls.why, ("kind",))
