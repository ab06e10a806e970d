"""Results and their uncertainty budgets: values that travel from reduction to every subscriber."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Literal

from benchd.units import FREQUENCY, HERTZ

ASSUMED_TERM = "assumed-term"
"""Flag of a result in whose budget the size of a term is a default, not knowledge of the bench."""

Outcome = Literal["pass", "pass-marginal", "fail", "fail-marginal", "cannot-tell", "absent"]
Distribution = Literal["normal", "rectangular", "triangular", "u-shaped", "expanded"]


@dataclass(frozen=True, slots=True)
class Term:
    """One line of a budget (JCGM 100).

    size: the input's stated size in `unit`: standard deviation (normal), half-width
        (rectangular, triangular, u-shaped) or expanded uncertainty (expanded).
    divisor: size / divisor is the standard uncertainty of the input.
    sensitivity: d(result)/d(input), signed.
    contribution: |sensitivity| * size / divisor, in the unit of the result.
    degrees_of_freedom: infinity for a stated limit.
    source: terms with the same non-empty source are one and the same error, fully correlated.
    assumed: True where the size is a documented default, not knowledge of this bench.
    """

    name: str
    size: float
    unit: str
    distribution: Distribution
    divisor: float
    sensitivity: float
    contribution: float
    degrees_of_freedom: float = float("inf")
    source: str = ""
    assumed: bool = False


@dataclass(frozen=True, slots=True)
class Budget:
    """How an uncertainty came about.

    standard: combined standard uncertainty, in the unit of the result.
    degrees_of_freedom: effective, by Welch-Satterthwaite (JCGM 100, G.4).
    coverage_factor: k; `expanded` = k * standard.
    low, high: ends of the 95 % interval of the result itself; asymmetric where the model is.
    method: `gum` or `monte-carlo` (JCGM 101), with its trials and its seed.
    """

    terms: tuple[Term, ...]
    standard: float
    degrees_of_freedom: float
    coverage_factor: float
    expanded: float
    low: float
    high: float
    method: Literal["gum", "monte-carlo"] = "gum"
    trials: int = 0
    seed: int = 0


@dataclass(frozen=True, slots=True)
class Place:
    """One value of an axis: its name ("frequency", "angle", "time"), its unit ("Hz", "deg", "s"),
    and the value. Names and units are those of `benchd.traces.Axis`."""

    name: str
    unit: str
    value: float


@dataclass(frozen=True, slots=True)
class Result:
    """A quantity with its value, unit and expanded uncertainty.

    quantity: a snake_case name of the trade: resonance_frequency, return_loss, vswr,
        bandwidth, trim_per_arm, realised_gain, ...
    unit: "Hz", "dB", "dBi", "1", "m", "s". Always SI or dB; conversion is at the edge.
    frequency_hz / band_hz: where the value holds, as far as it depends on frequency.
    low, high: ends of the 95 % interval. None where no uncertainty can be stated (flagged).
    captures: ids of all captures it came from, baselines included.
    place: where the value holds along an axis that is not frequency, such as an angle of a pattern;
        `frequency_hz` then tells at which frequency that axis was gone along. A place on the axis
        of frequency may be given here too. It becomes `frequency_hz`, so that there is one form.
    """

    quantity: str
    value: float
    unit: str
    expanded_uncertainty: float | None
    coverage_factor: float | None
    low: float | None = None
    high: float | None = None
    frequency_hz: float | None = None
    band_hz: tuple[float, float] | None = None
    antenna: str | None = None
    flags: tuple[str, ...] = ()
    captures: tuple[str, ...] = ()
    budget: Budget | None = None
    note: str = ""
    place: Place | None = None

    @classmethod
    def of_budget(
        cls,
        *,
        quantity: str,
        value: float,
        unit: str,
        budget: Budget | None,
        frequency_hz: float | None = None,
        band_hz: tuple[float, float] | None = None,
        antenna: str | None = None,
        flags: tuple[str, ...] = (),
        captures: tuple[str, ...] = (),
        note: str = "",
        place: Place | None = None,
    ) -> Result:
        """A value whose uncertainty and interval are those of its budget; none without a budget."""
        return cls(
            quantity=quantity,
            value=value,
            unit=unit,
            expanded_uncertainty=budget.expanded if budget else None,
            coverage_factor=budget.coverage_factor if budget else None,
            low=budget.low if budget else None,
            high=budget.high if budget else None,
            frequency_hz=frequency_hz,
            band_hz=band_hz,
            antenna=antenna,
            flags=flags,
            captures=captures,
            budget=budget,
            note=note,
            place=place,
        )

    def __post_init__(self) -> None:
        if self.place is None or self.place.name != FREQUENCY:
            return
        if self.place.unit != HERTZ:
            raise ValueError(f"{self.quantity}: a frequency is in Hz, not in {self.place.unit}")
        if self.frequency_hz not in (None, self.place.value):
            both = f"at {self.place.value} Hz and at {self.frequency_hz} Hz"
            raise ValueError(f"{self.quantity} cannot hold {both}")
        object.__setattr__(self, "frequency_hz", self.place.value)
        object.__setattr__(self, "place", None)

    @property
    def along(self) -> Place | None:
        """Where the value holds along the axis of its trace, whichever axis that is; None for a
        value of a whole trace or of a band."""
        if self.place is None and self.frequency_hz is not None:
            return Place(FREQUENCY, HERTZ, self.frequency_hz)
        return self.place

    def with_flags(self, *flags: str) -> Result:
        """The same result with flags added, each once, in order."""
        return replace(self, flags=tuple(dict.fromkeys((*self.flags, *flags))))


@dataclass(frozen=True, slots=True)
class ResultRecord:
    """A result as it is stored and published: with its provenance."""

    id: str
    bench: str
    job_id: str
    step: str
    recipe: str
    recipe_hash: str
    worksheet_hash: str
    instruments: dict[str, str]
    reduced_at: datetime
    result: Result
    bindings: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Verdict:
    """The outcome of an `accept` step: one limit held against one result.

    margin: distance to the nearest limit in the unit of the result, positive inside.
    outcome: `pass` or `fail` where the whole 95 % interval lies on one side of the limit;
        `pass-marginal` or `fail-marginal` where only the value does (JCGM 106, guard bands);
        `cannot-tell` where the value was not measured, as its flags say.
    """

    quantity: str
    outcome: Outcome
    margin: float | None
    limit: str
    result: Result | None = None
