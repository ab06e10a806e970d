"""What stands in a recipe: sweeps and steps. References are filled in before this is read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal, get_args

from pydantic import AfterValidator, Field, ValidationInfo, model_validator

from benchd.files.fields import (
    Duration,
    Frequency,
    Label,
    Level,
    ListOrOne,
    Measure,
    Name,
    OneOf,
    Text,
    Title,
    Whole,
    Words,
    wrong,
)
from benchd.files.filemodel import FileModel, is_draft
from benchd.recipe.parameters import Parameter
from benchd.recipe.placeholders import PARAMETER_FORM
from benchd.reduce.next_points import LEAST_CHOSEN, LEAST_FIRST, QUARTER, REACH_STEPS, gaps_of
from benchd.sweeps import DETECTORS, METHODS, POWER, Detector, Lid, Method, RefineTo
from benchd.traces import Role
from benchd.units import Kind, show
from benchd.worksheet import DEFAULT_PATIENCE_S, LookStart, OnInterrupt, Unanswered

if TYPE_CHECKING:
    from benchd.reductions import Reduction as AnyReduction
else:
    from benchd.reductions import AnyReduction

ANALYZER_DETECTORS = tuple(one for one in DETECTORS if one != POWER)
"""Those that a recipe may ask for; that of a power meter is its own."""
ROLES = tuple(role.value for role in Role)
MOST_POINTS = 100_001
MOST_PATIENCE_S = 7 * 24 * 3600.0

ParameterName = Annotated[
    str, Words("a name of lower-case letters, digits and _", PARAMETER_FORM, 40)
]


class RefinePlan(FileModel):
    """Other frequencies than the even grid: more around the resonance (around, span, points), or
    only those of the grid that resonance and band edges need (to, reach, at_most_points,
    at_most_time)."""

    around: Annotated[Literal["resonance"], OneOf(("resonance",))] | None = Field(
        None, description="what a finer grid lies around: resonance"
    )
    span_hz: Frequency | None = Field(
        None, alias="span", description="width of the finer grid around it"
    )
    points: Annotated[int, Whole(3, 10_001)] | None = Field(
        None, description="points of the finer grid around it"
    )
    to_hz: Frequency | None = Field(
        None,
        alias="to",
        description="reads only those frequencies of the sweep that are needed for resonance and "
        "band edges to be known to this half-width, as far as noise and the spacing of points go",
    )
    reach_hz: Frequency | None = Field(
        None,
        alias="reach",
        description="with `to`: greatest distance of the first readings; a second dip this wide is "
        f"never overlooked; without it, {REACH_STEPS} steps of the sweep",
    )
    at_most_points: Annotated[int, Whole(2, MOST_POINTS)] | None = Field(
        None, description="with `to`: most readings; without it, a quarter of the sweep's points"
    )
    at_most_s: Duration | None = Field(
        None, alias="at_most_time", description="with `to`: longest time; without it, any"
    )

    @model_validator(mode="after")
    def _one_form(self) -> RefinePlan:
        more = {"around": self.around, "span": self.span_hz, "points": self.points}
        fewer = {
            "to": self.to_hz,
            "reach": self.reach_hz,
            "at_most_points": self.at_most_points,
            "at_most_time": self.at_most_s,
        }
        if self.at_most_s == 0.0:
            raise wrong("found 0 s, expected more than 0 s", ("at_most_time",))
        told = [key for key, value in more.items() if value is not None]
        other = [key for key, value in fewer.items() if value is not None]
        if told and other:
            raise wrong(
                f'"{other[0]}" reads fewer points and "{told[0]}" more: write one of both forms',
                (other[0],),
            )
        if told and len(told) < len(more):
            lacks = next(key for key, value in more.items() if value is None)
            raise wrong(f'a finer grid needs the key "{lacks}", too')
        if not told and self.to_hz is None:
            raise wrong(
                'expected "to", the half-width that is wanted, or "around", "span" and "points"'
            )
        return self

    def fewer(self, points: int, span_hz: float) -> RefineTo | None:
        """What `to` asks of a sweep of so many points, with everything filled in; None without."""
        if self.to_hz is None:
            return None
        step_hz = span_hz / (points - 1)
        first = gaps_of(points, span_hz, self.reach_hz or REACH_STEPS * step_hz) + 1
        return RefineTo(
            to_hz=self.to_hz,
            reach_hz=self.reach_hz or round(REACH_STEPS * step_hz, 3),
            at_most_points=self.at_most_points
            or min(points, max(-(-points // QUARTER), first + LEAST_CHOSEN)),
            at_most_s=self.at_most_s,
        )


class Sweep(FileModel):
    """One sweep: where, how finely, how strong, how long."""

    method: Annotated[Method, OneOf(METHODS)] = Field(
        "stepped", description="stepped, hold, tracking or vector"
    )
    start_hz: Frequency | None = Field(None, alias="start", description="first frequency")
    stop_hz: Frequency | None = Field(None, alias="stop", description="last frequency")
    centre_hz: Frequency | None = Field(None, alias="centre", description="middle of the sweep")
    span_hz: Frequency | None = Field(None, alias="span", description="width of the sweep")
    points: Annotated[int, Whole(2, MOST_POINTS)] = Field(
        description="number of frequencies, both ends included"
    )
    level_dbm: Level = Field(alias="level", description="level that the source is set to")
    resolution_bandwidth_hz: Frequency = Field(
        alias="resolution_bandwidth", description="resolution bandwidth of the analyzer"
    )
    video_bandwidth_hz: Frequency | None = Field(
        None, alias="video_bandwidth", description="video bandwidth; without it, the analyzer's own"
    )
    detector: Annotated[Detector, OneOf(ANALYZER_DETECTORS)] = Field(
        "rms", description="rms, log-average, peak or sample"
    )
    dwell_s: Annotated[float, Measure(Kind.TIME, least=1e-6, most=3600.0)] = Field(
        0.002, alias="dwell", description="time that each point is looked at"
    )
    average: Annotated[int, Whole(1, 10_000)] = Field(
        1, description="readings averaged at each point"
    )
    sweep_time_s: Duration | None = Field(
        None, alias="sweep_time", description="time of one analyzer sweep (hold, tracking)"
    )
    free_run_s: Duration | None = Field(
        None, alias="for", description="how long a hold sweep collects"
    )
    reference_level_dbm: Level | None = Field(
        None, alias="reference_level", description="reference level; without it, benchd chooses"
    )
    attenuation_db: Annotated[float, Measure(Kind.RATIO, least=0.0, most=100.0)] | None = Field(
        None, alias="attenuation", description="input attenuation; without it, the analyzer's own"
    )
    refine: RefinePlan | None = Field(
        None, description="a finer grid after the coarse one, or fewer points than the whole one"
    )
    step_by: Annotated[Literal["command", "list"], OneOf(("command", "list"))] | None = Field(
        None,
        description="how a stepped sweep goes from point to point: command or list; without it by "
        "list where the bench can, and by command where a trigger was missed",
    )

    rf: Annotated[Literal["on", "off"], OneOf(("on", "off"))] = Field(
        "on", description="off only listens: the source stays off throughout"
    )

    @model_validator(mode="after")
    def _consistent(self, info: ValidationInfo) -> Sweep:
        ends = (self.start_hz is not None, self.stop_hz is not None)
        middle = (self.centre_hz is not None, self.span_hz is not None)
        if (all(ends), all(middle)) not in ((True, False), (False, True)) or (
            any(ends) and any(middle)
        ):
            raise wrong("a sweep needs either start and stop, or centre and span")
        if self.method == "hold" and self.free_run_s is None:
            raise wrong('a hold sweep needs the key "for": how long it collects')
        if self.method != "hold" and self.free_run_s is not None:
            raise wrong(f'"for" belongs to a hold sweep, not to {self.method}', ("for",))
        if self.step_by and self.method != "stepped":
            raise wrong("only a stepped sweep goes from point to point", ("step_by",))
        if self.step_by == "list" and self.refine and self.refine.to_hz is not None:
            raise wrong(
                "a sweep that chooses its next frequencies goes from point to point by command",
                ("step_by",),
            )
        if self.step_by == "list" and self.rf == "off":
            raise wrong("a sweep with RF off goes from point to point by command", ("step_by",))
        if self.refine and self.method != "stepped":
            raise wrong("only a stepped sweep can refine its grid", ("refine",))
        if self.refine and self.rf == "off":
            raise wrong("a sweep with RF off sees nothing to refine around", ("refine",))
        if is_draft(info):
            return self
        start, stop = self.ends_hz
        if start <= 0.0:
            raise wrong(
                f"the span of {show(stop - start, 'Hz')} reaches below zero around "
                f"{show((start + stop) / 2, 'Hz')}",
                ("span",),
            )
        if stop <= start:
            raise wrong(
                f"the sweep runs backwards, from {show(start, 'Hz')} to {show(stop, 'Hz')}",
                ("stop",),
            )
        self._check_bounds(stop - start)
        return self

    def _check_bounds(self, span_hz: float) -> None:
        """A sweep that refines must be free to choose some points."""
        fewer = self.refine and self.refine.fewer(self.points, span_hz)
        if not fewer:
            return
        step_hz = span_hz / (self.points - 1)
        if fewer.reach_hz < step_hz * (1.0 - 1e-6):
            raise wrong(
                f"found {show(fewer.reach_hz, 'Hz')}, less than the {show(step_hz, 'Hz')} from "
                "point to point of the sweep: give it more points, or more reach",
                ("refine", "reach"),
            )
        first = gaps_of(self.points, span_hz, fewer.reach_hz) + 1
        if first < LEAST_FIRST:
            raise wrong(
                f"a reach of {show(fewer.reach_hz, 'Hz')} leaves {first} first points, and at "
                f"least {LEAST_FIRST} are needed to see a curve: give the sweep more points, or "
                "less reach",
                ("refine",),
            )
        if fewer.at_most_points < min(self.points, first + LEAST_CHOSEN):
            raise wrong(
                f"found {fewer.at_most_points}, but a reach of {show(fewer.reach_hz, 'Hz')} takes "
                f"{first} points and at least {LEAST_CHOSEN} more must be left to choose: write "
                f"{min(self.points, first + LEAST_CHOSEN)} or more, or more reach",
                ("refine", "at_most_points"),
            )

    @property
    def ends_hz(self) -> tuple[float, float]:
        """First and last frequency, Hz."""
        if self.start_hz is not None and self.stop_hz is not None:
            return self.start_hz, self.stop_hz
        centre, span = self.centre_hz or 0.0, self.span_hz or 0.0
        # Rounded like every quantity: the same grid must be the same numbers.
        return round(centre - span / 2, 3), round(centre + span / 2, 3)


class CapturePart(FileModel):
    """Run a sweep and store what it recorded."""

    role: Annotated[Role, OneOf(ROLES), AfterValidator(Role)] = Field(
        description="open, short, load, thru, empty, reference or test"
    )
    route: Name = Field(description="route of the bench to measure on")
    position: Name | None = Field(
        None, description="position of the route; left out where a person chooses it by hand"
    )
    sweep: Name = Field(description="name of one of the recipe's sweeps")
    antenna: Label | None = Field(None, description="antenna of the bench that is measured")
    name: Label | None = Field(
        None, description="name for later steps; without it, the role and the loop's values"
    )
    lid: Annotated[Lid, OneOf(get_args(Lid))] = Field(
        "closed", description="open measures with the lid open on purpose, at little power"
    )


class RoutePart(FileModel):
    """Switch a route with RF off."""

    route: Name = Field(description="route of the bench")
    position: Name | None = Field(None, description="position of the route")


class HandsPart(FileModel):
    """Ask a person to do something."""

    ask: Text = Field(description="what the person is asked to do")
    caution: Text | None = Field(None, description="what the person must mind")
    patience_s: Annotated[float, Measure(Kind.TIME, least=1.0, most=MOST_PATIENCE_S)] = Field(
        DEFAULT_PATIENCE_S,
        alias="patience",
        description="how long the bench is held for this request without an answer; 30 min if "
        "nothing is said",
    )
    then: Annotated[Unanswered, OneOf(get_args(Unanswered))] = Field(
        "let-others-run",
        description="when the patience ends: let-others-run takes the request back, lets waiting "
        "jobs run, and asks again; skip leaves out what follows, up to the next request; give-up "
        "ends the job",
    )
    look: Annotated[LookStart, OneOf(get_args(LookStart))] | None = Field(
        None,
        description="the request comes before a look of a trim session, whose answer may carry "
        "the length taken off: button starts the look by an answer only, lid by closing the lid "
        "too",
    )


class WaitPart(FileModel):
    """Let things settle."""

    for_s: Duration = Field(alias="for", description="how long to wait")


class RepeatPart(FileModel):
    """Do the same steps for each value of a list, or a number of times."""

    over: dict[ParameterName, list[Any]] | None = Field(
        None, description="one variable and its values: {position: [mount_a, mount_b]}"
    )
    times: Annotated[int, Whole(1, 10_000)] | None = Field(
        None, description="how often; the variable $turn counts from 1"
    )
    steps: Annotated[list[Any], Field(min_length=1)] = Field(description="the steps to repeat")

    @model_validator(mode="after")
    def _consistent(self) -> RepeatPart:
        if (self.over is None) == (self.times is None):
            raise wrong('a repeat needs either "over" or "times"')
        if self.over is None:
            return self
        if len(self.over) != 1:
            raise wrong("expected one variable; put one repeat inside another", ("over",))
        name, values = next(iter(self.over.items()))
        if not values:
            raise wrong("found an empty list, expected at least one value", ("over", name))
        for index, value in enumerate(values):
            if isinstance(value, (dict, list)) or value is None:
                raise wrong("expected a plain value", ("over", name, index))
        return self


class LimitPart(FileModel):
    """One acceptance limit."""

    quantity: Name = Field(description="quantity of a reduction, such as return_loss")
    at: Frequency | None = Field(None, description="frequency where it must hold")
    least: Any = Field(None, description="smallest value accepted, with its unit")
    most: Any = Field(None, description="largest value accepted, with its unit")
    reduction: Label | None = Field(
        None, description="name of the reduce step; without it, all that give the quantity"
    )

    @model_validator(mode="after")
    def _consistent(self) -> LimitPart:
        if self.least is None and self.most is None:
            raise wrong('a limit needs "least", "most" or both')
        return self


class StepPart(FileModel):
    """One step: exactly one of these keys."""

    capture: CapturePart | None = Field(None, description="run a sweep and store it")
    route: RoutePart | None = Field(None, description="switch a route, RF off")
    hands: HandsPart | None = Field(None, description="ask a person to do something")
    wait: WaitPart | None = Field(None, description="let things settle")
    repeat: RepeatPart | None = Field(None, description="do steps again and again")
    reduce: AnyReduction | None = Field(None, description="turn captures into results")
    accept: Annotated[list[LimitPart], Field(min_length=1), ListOrOne()] | None = Field(
        None, description="hold results against limits"
    )

    @model_validator(mode="after")
    def _one(self) -> StepPart:
        kinds = [name for name in type(self).model_fields if getattr(self, name) is not None]
        if len(kinds) != 1:
            found = ", ".join(kinds) or "none"
            expected = ", ".join(type(self).model_fields)
            raise wrong(f"expected exactly one of {expected} in a step, found {found}")
        return self


class RecipeFile(FileModel):
    """A whole recipe. Sweeps and steps are read one by one, with their references filled in."""

    recipe: Annotated[
        str, Words("a name of lower-case letters, digits and -", r"[a-z0-9][a-z0-9-]*", 60)
    ] = Field(description="name of the recipe")
    title: Title = Field(description="what it does, in one line")
    about: Text | None = Field(None, description="what a person should know before running it")
    parameters: dict[ParameterName, Parameter] = Field(
        default_factory=dict, description="name -> parameter"
    )
    on_interrupt: Annotated[OnInterrupt, OneOf(get_args(OnInterrupt))] = Field(
        "resume", description="after a crash or power cut: resume, restart or fail"
    )
    sweeps: dict[Name, Any] = Field(default_factory=dict, description="name -> sweep")
    steps: Annotated[list[Any], Field(min_length=1)] = Field(description="what to do, in order")
