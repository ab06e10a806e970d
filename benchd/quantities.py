"""Every quantity that a reduction may give: one table, one row per quantity.

Wording, plots, units, comparisons, the results table and the limits of recipes read it. To add a
quantity, add its row and the maths that gives it. A package of reductions from elsewhere adds its
rows with `add`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from benchd.rounding import unit_of_difference
from benchd.units import Kind

_KINDS = {
    "dB": Kind.RATIO,
    "dBi": Kind.GAIN,
    "dBm": Kind.LEVEL,
    "Hz": Kind.FREQUENCY,
    "m": Kind.LENGTH,
    "s": Kind.TIME,
    "°C": Kind.TEMPERATURE,
}

DIFFERENCE = "_difference"
COMPARISON = "revision-comparison"
LOOK = "trim-look"


class Where(StrEnum):
    """Where a value holds, and so which two values may be held against each other."""

    FREQUENCY = "frequency"  # at one frequency
    BAND = "band"  # over a band that was asked for
    OWN_BAND = "own-band"  # over, or at an end of, a band that is itself a result
    DIP = "dip"  # of one dip, wherever that lies
    BENCH = "bench"  # of the bench as a whole


class Shown(StrEnum):
    """Whether the short table of results shows a quantity; the long one (`--all`) shows all."""

    FIRST = "first"
    OVER_BAND = "over-band"  # only the value over a band, not those at single frequencies
    LATER = "later"


class Compared(StrEnum):
    """How two results of different revisions are held against each other."""

    NOT = "not"
    BY_BUDGETS = "by-budgets"  # what both budgets share by name cancels
    BESIDE = "beside"  # not by itself, but wherever the resonances of both are compared
    JOINTLY = "jointly"  # both traces are reduced again under the same drawn errors


class Picture(StrEnum):
    """The picture that a quantity is drawn in, as a curve over frequency or a mark."""

    NONE = ""
    RETURN_LOSS = "return loss"
    GAIN = "gain"
    COUPLER = "coupler"
    REPEATABILITY = "repeatability"
    COMPARISON = "comparison"
    LEAKAGE = "leakage"
    STILLNESS = "stillness"
    REFLECTIVITY = "reflectivity"
    DRIFT = "drift"


class Feeds(StrEnum):
    """What later measurements take a qualified quantity for."""

    NOTHING = ""
    SIZE = "size"  # a ratio in dB that stands for a size; the least over a band counts
    SPREAD = "spread"  # a standard deviation; the root mean square over a band counts


class Worst(StrEnum):
    """Which of several values of one quantity, such as those over a band, is the worst."""

    LARGEST = "largest"
    LEAST = "least"
    FARTHEST = "farthest"  # from zero: of values that may have either sign


@dataclass(frozen=True, slots=True)
class Quantity:
    """One row.

    name: snake_case name of the trade, as results carry it. unit: SI, dB, dBi, dBm or "1".
    words: how it heads a row of a table. given_by: kinds of reduction that can give it.
    feeds: what later measurements of the bench take it for, where a qualification gives it.
    says_where: the words "as mounted in this box" stand with it.
    needs: key of the reduction without which it is not given. worst: which of several is the worst.
    """

    name: str
    unit: str
    words: str
    given_by: tuple[str, ...]
    where: Where = Where.FREQUENCY
    shown: Shown = Shown.LATER
    picture: Picture = Picture.NONE
    compared: Compared = Compared.NOT
    feeds: Feeds = Feeds.NOTHING
    says_where: bool = False
    needs: str = ""
    worst: Worst = Worst.LARGEST

    @property
    def kind(self) -> Kind | None:
        """The kind of quantity that its limits are written in; None for a plain number."""
        return _KINDS.get(self.unit)

    @property
    def is_verdict(self) -> bool:
        """True where the value is an answer: 1 good enough, 0 not."""
        return self.name.endswith("_verdict")

    @property
    def is_extreme(self) -> bool:
        """True of the least or greatest gain in a band: it lies at one place of that band."""
        return self.unit == "dBi" and self.name.endswith(("_min", "_max"))

    @property
    def difference(self) -> Quantity:
        """What a comparison of two results gives."""
        return replace(
            self,
            name=f"{self.name}{DIFFERENCE}",
            unit=unit_of_difference(self.unit),
            words=f"{self.words} difference",
            given_by=(COMPARISON,),
            shown=Shown.FIRST,
            picture=Picture.COMPARISON,
            compared=Compared.NOT,
            says_where=False,
            needs="",
        )


_GAINS = ("gain", "gain-three-antennas", "gain-two-identical")
_F, _B, _E, _D, _ALL = Where.FREQUENCY, Where.BAND, Where.OWN_BAND, Where.DIP, Where.BENCH
_FIRST, _OVER = Shown.FIRST, Shown.OVER_BAND
_RL, _G = Picture.RETURN_LOSS, Picture.GAIN
_FAR = Worst.FARTHEST
_JOINTLY, _BUDGETS = Compared.JOINTLY, Compared.BY_BUDGETS


def _of(kind: str, *rows: Quantity) -> tuple[Quantity, ...]:
    """Rows of a qualification, drawn in its own picture."""
    return tuple(
        replace(row, given_by=(kind, *row.given_by), picture=Picture(kind)) for row in rows
    )


def _reflection(
    name: str, unit: str, words: str, where: Where = _F, shown: Shown = Shown.LATER,
    picture: Picture = Picture.NONE, compared: Compared = Compared.NOT, *, says_where: bool = False,
    needs: str = "",
) -> Quantity:  # fmt: skip
    """A row that the reduction `reflection` gives."""
    return Quantity(
        name,
        unit,
        words,
        ("reflection",),
        where,
        shown,
        picture,
        compared,
        says_where=says_where,
        needs=needs,
    )


def _looked(*fields: Any, **more: Any) -> Quantity:
    """A row that a look of a trim session gives too."""
    return replace(_reflection(*fields, **more), given_by=("reflection", "trim-look"))


def _verdict(kind: str) -> Quantity:
    return Quantity(f"{kind}_verdict", "1", f"{kind.capitalize()} verdict", (kind,), _ALL, _FIRST)


# Rows stand in the order in which tables and pictures name them.
_ROWS: tuple[Quantity, ...] = (
    *(_verdict(kind) for kind in ("coupler", "repeatability", "comparison", "leakage",
                                  "stillness", "reflectivity", "drift")),
    _looked("resonance_frequency", "Hz", "Resonance", _D, _FIRST, _RL, _JOINTLY,
            says_where=True),
    _looked("trim_per_arm", "m", "Trim per arm", _F, _FIRST, _RL),
    Quantity("removed_length", "m", "Taken off each arm", ("trim-look",), _ALL, _FIRST),
    Quantity("trim_rate", "m/Hz", "Trim for each hertz", ("trim-look",), _ALL),
    _looked("return_loss", "dB", "Return loss", _F, _FIRST, _RL, _JOINTLY, says_where=True),
    _reflection("vswr", "1", "VSWR", _F, _FIRST, _RL, _JOINTLY),
    _reflection("worst_return_loss", "dB", "Worst return loss", _B, _FIRST, _RL, _JOINTLY,
                needs="band"),
    _reflection("worst_vswr", "1", "Worst VSWR", _B, _FIRST, compared=_JOINTLY, needs="band"),
    _reflection("bandwidth", "Hz", "Bandwidth", _E, _FIRST, _RL, _JOINTLY),
    _reflection("vswr_bandwidth", "Hz", "VSWR bandwidth", _E, _FIRST, needs="vswr_limit"),
    Quantity("realised_gain", "dBi", "Realised gain", _GAINS, _F, _FIRST, _G, _BUDGETS),
    Quantity("realised_gain_mean", "dBi", "Mean realised gain", _GAINS, _B, _FIRST, _G, _BUDGETS),
    Quantity("realised_gain_min", "dBi", "Least realised gain", _GAINS, _B, picture=_G),
    Quantity("realised_gain_max", "dBi", "Greatest realised gain", _GAINS, _B, picture=_G),
    Quantity("gain", "dBi", "Gain", ("gain",), _F, _FIRST, _G, _BUDGETS),
    Quantity("gain_mean", "dBi", "Mean gain", ("gain",), _B, _FIRST, _G, _BUDGETS),
    Quantity("gain_min", "dBi", "Least gain", ("gain",), _B, picture=_G),
    Quantity("gain_max", "dBi", "Greatest gain", ("gain",), _B, picture=_G),
    _looked("resonance_return_loss", "dB", "Return loss at resonance", _D),
    _looked("resonance_count", "1", "Resonances in the sweep", _ALL),
    _reflection("further_resonance_frequency", "Hz", "Further resonance", _D,
                compared=Compared.BESIDE),
    _reflection("further_resonance_return_loss", "dB", "Return loss there", _D),
    _looked("loaded_q", "1", "Loaded Q", _D, compared=_JOINTLY),
    _reflection("unloaded_q", "1", "Unloaded Q", _D),
    _reflection("reflection_magnitude", "1", "Reflection magnitude", compared=_JOINTLY),
    _reflection("mismatch_loss", "dB", "Mismatch loss", compared=_JOINTLY),
    _reflection("bandwidth_low_edge", "Hz", "Lower band edge", _E, compared=_JOINTLY),
    _reflection("bandwidth_high_edge", "Hz", "Upper band edge", _E, compared=_JOINTLY),
    _reflection("vswr_bandwidth_low_edge", "Hz", "Lower edge of the VSWR band", _E,
                needs="vswr_limit"),
    _reflection("vswr_bandwidth_high_edge", "Hz", "Upper edge of the VSWR band", _E,
                needs="vswr_limit"),
    *_of(
        "coupler",
        Quantity("effective_directivity", "dB", "Effective directivity", (), _F, _OVER,
                 feeds=Feeds.SIZE),
        Quantity("effective_directivity_min", "dB", "Least effective directivity", (), _B, _FIRST),
        Quantity("effective_source_match", "dB", "Effective source match", (), _F, _OVER,
                 feeds=Feeds.SIZE),
        Quantity("effective_source_match_min", "dB", "Least effective source match", (), _B,
                 _FIRST),
        Quantity("joint_reflection", "dB", "Joint reflection", (), _F, _OVER, feeds=Feeds.SIZE),
    ),
    *_of(
        "repeatability",
        Quantity("repeatability_spread", "dB", "Repeatability spread", (), _F, _OVER,
                 feeds=Feeds.SPREAD),
        Quantity("flex_spread", "dB", "Flex spread", (), _F, _OVER),
    ),
    *_of(
        "comparison",
        Quantity("largest_difference", "dB", "Largest difference", (), _B, _FIRST, worst=_FAR),
        Quantity("visible_difference", "dB", "Visible difference", (), _B, _FIRST),
        Quantity("difference", "dB", "Difference", (), _F, _OVER, worst=_FAR),
    ),
    *_of(
        "leakage",
        Quantity("shielding_min", "dB", "Least shielding", (), _B, _FIRST, worst=Worst.LEAST),
        Quantity("shielding", "dB", "Shielding", (), _B, worst=Worst.LEAST),
        Quantity("ingress_level", "dBm", "Ingress level", (), _F),
    ),
    *_of(
        "stillness",
        Quantity("stillness_spread_closed", "dB", "Stillness spread closed", (), _F, _OVER),
        Quantity("stillness_spread_open", "dB", "Stillness spread open", (), _F, _OVER),
    ),
    *_of(
        "reflectivity",
        Quantity("usable_from", "Hz", "Usable from", (), _ALL, _FIRST),
        Quantity("usable_from_averaged", "Hz", "Usable from, averaged", (), _ALL, _FIRST),
        Quantity("reflected_level", "dB", "Reflected level", (), _F, _OVER),
        Quantity("box_path_spread", "dB", "Box path spread", (), _F, _OVER, feeds=Feeds.SPREAD),
        Quantity("box_gain_spread", "dB", "Box gain spread", ("gain",), _F, _OVER,
                 feeds=Feeds.SPREAD),
        Quantity("box_gain_uncertainty", "dB", "Box gain uncertainty", (), _F, _OVER),
    ),
    *_of(
        "drift",
        Quantity("max_age", "s", "Greatest age of a baseline", (), _ALL, _FIRST),
        Quantity("drift", "dB", "Drift", (), _ALL, _FIRST),
        Quantity("drift_whole_watch", "dB", "Drift over the whole watch", (), _ALL),
        Quantity("temperature_coefficient", "dB/K", "Temperature coefficient", (), _ALL),
    ),
)  # fmt: skip

_KNOWN: dict[str, Quantity] = {}


def add(*rows: Quantity) -> None:
    """Enter rows behind those that are there. Raises ValueError for a name that is taken."""
    for row in rows:
        if row.name in _KNOWN:
            raise ValueError(f"the quantity {row.name!r} is entered twice")
        _KNOWN[row.name] = row


add(*_ROWS)


def every() -> tuple[Quantity, ...]:
    """All rows, in the order in which tables name them; differences are not among them."""
    return tuple(_KNOWN.values())


def of_antennas() -> tuple[Quantity, ...]:
    """Rows of the short table that tell of an antenna, not of the bench: no kind of reduction that
    gives them has a verdict on the bench."""
    judges = {kind for row in every() if row.is_verdict for kind in row.given_by}
    return tuple(
        row for row in every() if row.shown is Shown.FIRST and judges.isdisjoint(row.given_by)
    )


def quantity(name: str) -> Quantity:
    """The row of a quantity, of a difference that a comparison gives, or, for a name that no row
    has, one with words made of the name: stored results outlive the reductions that gave them."""
    known = _KNOWN.get(name)
    if known is not None:
        return known
    compared = _KNOWN.get(name.removesuffix(DIFFERENCE)) if name.endswith(DIFFERENCE) else None
    if compared is not None:
        return compared.difference
    words = name.replace("_", " ").strip()
    return Quantity(name, "", words[:1].upper() + words[1:], (), shown=Shown.FIRST)


def place(name: str) -> int:
    """Where a quantity stands in tables; what no row names comes last, differences first."""
    names = list(_KNOWN)
    if name in _KNOWN:
        return names.index(name)
    return -1 if quantity(name).given_by else len(names)


def given_by(reduction: str) -> tuple[Quantity, ...]:
    """What a kind of reduction can give."""
    if reduction == COMPARISON:
        return tuple(row.difference for row in every() if row.compared is not Compared.NOT)
    if reduction == LOOK:
        rows = tuple(row for row in every() if reduction in row.given_by)
        return (*rows, quantity(f"resonance_frequency{DIFFERENCE}"))
    return tuple(row for row in every() if reduction in row.given_by)


def compared() -> tuple[Quantity, ...]:
    """Quantities of which two results may be held against each other."""
    by_themselves = (Compared.BY_BUDGETS, Compared.JOINTLY)
    return tuple(row for row in every() if row.compared in by_themselves)
