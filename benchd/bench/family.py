"""Revisions of one antenna, in their order, and what was changed from one to the next.

Two antennas of the register are revisions of one another if their names differ only in the
revision at the end ("dipole r3", "dipole r4"), or if one says so (`revises: dipole r3`).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from benchd.bench.antennas import Antenna
from benchd.rounding import number_words, size_words

REVISION = re.compile(r"[A-Za-z]{1,3}[0-9]{1,4}[a-z]?")
"""A revision as the last word of a name."""

LENGTHS = {
    "arm_m": "arm",
    "largest_dimension_m": "largest dimension",
    "diameter_m": "diameter of the arm",
    "phase_centre_m": "phase centre",
}
OTHERS = {"design_frequency_hz": "design frequency", "arms": "number of arms", "type": "type"}
UNITS = {**dict.fromkeys(LENGTHS, "m"), "design_frequency_hz": "Hz"}


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that the register states otherwise of a revision than of the one before.

    key: as the register's models name it. unit: "m", "Hz" or "". before, after: None where it is
    not stated. text: the change in words.
    """

    key: str
    unit: str
    before: float | str | None
    after: float | str | None
    text: str


def stem(name: str, revision: str | None = None) -> str:
    """The name without the revision at its end: "dipole r3" -> "dipole"."""
    head, _, last = name.rpartition(" ")
    if head and (last == revision or REVISION.fullmatch(last)):
        return head
    return name


def family(
    name: str, antennas: Mapping[str, Antenna], measured: Iterable[str] = ()
) -> tuple[str, ...]:
    """The names of all revisions of an antenna, the oldest first; itself among them.

    antennas: of the bench, in the order of the register. measured: names that have results but
    need not stand in the register any more.
    """
    every = families(antennas, (*measured, name))
    return next(names for names in every if name in names)


def families(
    antennas: Mapping[str, Antenna], measured: Iterable[str] = ()
) -> list[tuple[str, ...]]:
    """All names, those of one antenna's revisions together and the oldest first.

    The families stand in the order of the register, then in that of `measured`.
    """
    every = list(dict.fromkeys((*antennas, *measured)))
    stems = {one: _stem_of(one, antennas) for one in every}
    leads = {stem: stem for stem in stems.values()}

    def lead(stem: str) -> str:
        """The first stem of all that are linked to this one."""
        while leads[stem] != stem:
            stem = leads[stem]
        return stem

    for one in every:
        before = _revised(one, antennas)
        if before in stems:
            leads[lead(stems[one])] = lead(stems[before])
    found: dict[str, list[str]] = {}
    for one in every:
        found.setdefault(lead(stems[one]), []).append(one)
    return [_in_order(names, antennas) for names in found.values()]


def _in_order(names: Sequence[str], antennas: Mapping[str, Antenna]) -> tuple[str, ...]:
    later: dict[str, int] = {}
    for one in names:
        named = _stem_of(one, antennas)
        later[named] = max(later.get(named, 0), _steps(one, antennas))
    return tuple(sorted(names, key=lambda one: (later[_stem_of(one, antennas)], _natural(one))))


def _stem_of(name: str, antennas: Mapping[str, Antenna]) -> str:
    known = antennas.get(name)
    return stem(name, None if known is None else known.revision).casefold()


def _revised(name: str, antennas: Mapping[str, Antenna]) -> str | None:
    known = antennas.get(name)
    return None if known is None else known.revises


def _steps(name: str, antennas: Mapping[str, Antenna]) -> int:
    """How many changes of name lie before it: what revises another comes after it."""
    steps, seen = 0, {name}
    before = _revised(name, antennas)
    while before is not None and before not in seen:
        steps += _stem_of(before, antennas) != _stem_of(name, antennas)
        seen.add(before)
        name, before = before, _revised(before, antennas)
    return steps


def _natural(name: str) -> tuple[tuple[int, str], ...]:
    """For sorting names as people count: r9 before r10."""
    parts = re.findall(r"[0-9]+|[^0-9]+", name.casefold())
    return tuple((int(part), "") if part.isdecimal() else (-1, part) for part in parts)


def changes(before: Antenna | None, after: Antenna | None) -> tuple[Change, ...]:
    """What the register states otherwise of a revision; nothing where it does not know both."""
    if before is None or after is None:
        return ()
    found = []
    for key, words in (*LENGTHS.items(), *OTHERS.items()):
        old, new = _stated(before, key), _stated(after, key)
        if old != new:
            unit = UNITS.get(key, "")
            found.append(Change(key, unit, old, new, _change_words(words, unit, old, new)))
    return tuple(found)


def _stated(antenna: Antenna, key: str) -> float | str | None:
    holder = antenna if key in type(antenna).model_fields else antenna.trim
    value: float | str | None = getattr(holder, key, None)
    return value


def _change_words(words: str, unit: str, old: float | str | None, new: float | str | None) -> str:
    if old is None or new is None:
        return f"{words} " + (
            "not stated any more" if new is None else f"stated as {_told(new, unit)}"
        )
    text = f"{words} from {_told(old, unit)} to {_told(new, unit)}"
    if unit != "m" or isinstance(old, str) or isinstance(new, str):
        return text
    word = "less" if new < old else "more"
    return f"{text}, {size_words(abs(new - old), unit)} {word}"


def _told(value: float | str, unit: str) -> str:
    return value if isinstance(value, str) else number_words(value, unit)
