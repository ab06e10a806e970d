"""What limits a trim, in words: the largest term of its budget, and what would get closer."""

from __future__ import annotations

from collections.abc import Iterable

from benchd.reduce.uncertainty import group_standard, groups
from benchd.results import Budget, Term

_COUPLER = (
    "a coupler of better directivity, or its directivity measured, would get closer: "
    "benchd queue coupler"
)
_CLOSER = {
    "directivity": _COUPLER,
    "directivity and box walls": f"{_COUPLER}, and benchd queue reflectivity for the box",
    "source match and baseline": "open and short taken anew just before would get closer, and an "
    "attenuator at the source's cable",
    "connector reflection": "joints that repeat better would get closer: "
    "benchd queue repeatability",
    "noise": "more level or a longer dwell would get closer",
    "curve": "a narrower sweep around the dip would get closer",
    "frequency reference": "a better frequency reference of the source would get closer",
    "arm length": "an arm measured more exactly would get closer: arm_uncertainty under trim",
}
_BY_LAW = "one more look after a small cut whose length you type would get closer"


def limit_words(terms: Iterable[Term], resonance: Budget) -> str:
    """One sentence: which error limits the trim most, and what would get closer.

    terms: those of the trim's own budget. resonance: the budget of the frequency that it starts
    from, whose largest term stands for the term "resonance".
    """
    worst = _largest(terms)
    if worst and worst[0].name == "resonance":
        worst = _largest(resonance.terms) or worst
    if not worst:
        return ""
    name = worst[0].name
    assumed = " (of assumed size)" if any(line.assumed for line in worst) else ""
    closer = _CLOSER.get(name, _BY_LAW if name.startswith("scaling") else "")
    return f"What limits it most is the {name}{assumed}{closer and '; '}{closer}."


def _largest(terms: Iterable[Term]) -> list[Term]:
    """The lines of the error that contributes most; none where nothing contributes."""
    found = max(groups(terms), key=group_standard, default=[])
    return found if found and group_standard(found) > 0.0 else []
