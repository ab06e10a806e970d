"""Request bodies, checked before anything else looks at them."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import (
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    model_validator,
)

from benchd.job_request import BATCH_FORM, SERIAL_FORM, JobRequest, RecipeSource
from benchd.recipe.trim_session import MOST_LOOKS, TrimRequest
from benchd.untrusted import plain_moment, plain_whole

MOST_ARGUMENTS = 100

Identifier = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,63}$")]
Name = Annotated[str, StringConstraints(min_length=1, max_length=100)]
# No slash, no backslash, no leading dot: a recipe's name is never a way out of its folder.
RecipeName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9 _.-]{0,99}$")]
FileName = Annotated[str, StringConstraints(pattern=r"^[^/\\\x00-\x1f]{1,200}$")]
RecipeText = Annotated[str, StringConstraints(max_length=300_000)]
Argument = Annotated[str, StringConstraints(max_length=1000, pattern=r"^[^\x00\r\n]*$")]


PlainWhole = BeforeValidator(plain_whole)
Moment = Annotated[AwareDatetime, BeforeValidator(plain_moment)]
Millimetres = Annotated[float, Field(ge=0.0, le=1000.0, strict=True, allow_inf_nan=False)]

Serial = Annotated[str, StringConstraints(pattern=rf"^{SERIAL_FORM}$", max_length=40)]
Batch = Annotated[str, StringConstraints(pattern=rf"^{BATCH_FORM}$")]


class Body(BaseModel):
    """Unknown keys are errors: a misspelt `not_befor` must not be ignored."""

    model_config = ConfigDict(extra="forbid", strict=False)


class RecipeBody(Body):
    """A recipe by name or in full, and its parameters as text with units.

    recipe: name of a recipe that the daemon knows.
    text, file: a whole recipe instead, and the name that messages call it by.
    """

    recipe: RecipeName | None = None
    text: RecipeText | None = None
    file: FileName = "recipe.yaml"
    arguments: dict[Name, Argument] = Field(default_factory=dict, max_length=MOST_ARGUMENTS)

    @model_validator(mode="after")
    def _one_of_both(self) -> RecipeBody:
        if (self.recipe is None) == (self.text is None):
            raise ValueError('give either "recipe", a name, or "text", a whole recipe')
        return self

    @property
    def source(self) -> RecipeSource:
        """Where the recipe comes from."""
        return RecipeSource(self.recipe, self.text, self.file)


class AntennaBody(Body):
    """An antenna for the register.

    start: antenna that it is a revision of; what holds for that one is taken over.
    changes: keys of an antenna or of its trim, with values as the file has them ("41.2 mm").
    """

    name: Name
    start: Name | None = None
    changes: dict[Name, Argument] = Field(default_factory=dict, max_length=MOST_ARGUMENTS)


class TrimBody(Body):
    """A trim session: what is trimmed, and how its looks are taken. Quantities carry their unit.

    looks: most looks. start: `button`, or `lid` where closing the lid starts a look too.
    route, position: where the antenna is; without them the bench's only ones.
    """

    antenna: Name
    looks: Annotated[int, PlainWhole] = Field(default=20, ge=1, le=MOST_LOOKS)
    start: Literal["button", "lid"] = "button"
    route: Name | None = None
    position: Name | None = None
    design_frequency: Argument | None = None
    span: Argument | None = None
    level: Argument = "-10 dBm"
    max_age: Argument = "12 h"
    patience: Argument = "1 h"
    dip: Literal["deepest", "nearest"] = "deepest"
    priority: int = Field(default=0, ge=-100, le=100, strict=True)

    @property
    def wanted(self) -> TrimRequest:
        """The session."""
        return TrimRequest(
            antenna=self.antenna,
            looks=self.looks,
            start=self.start,
            route=self.route,
            position=self.position,
            design_frequency=self.design_frequency,
            span=self.span,
            level_text=self.level,
            max_age_text=self.max_age,
            patience_text=self.patience,
            dip=self.dip,
        )

    @property
    def request(self) -> JobRequest:
        """When it may run."""
        return JobRequest(self.priority)


class RemovedBody(Body):
    """removed_mm: what was taken off each arm since the last look, mm. step: of the request that
    was shown then (`hands.step`); with it, a length that comes late counts for no other look."""

    removed_mm: Millimetres
    step: Annotated[int, PlainWhole] | None = Field(default=None, ge=0)


class CorrectBody(RemovedBody):
    """look: number of the look, from 2. removed_mm: what was really taken off each arm before it,
    mm."""

    look: Annotated[int, PlainWhole] = Field(ge=2, le=MOST_LOOKS)


class LookBody(Body):
    """A look is asked for. step, until: of the request (`hands.step`, `hands.until`). With `until`,
    an answer that arrives late or twice starts no look that was asked for again in the same step.
    removed_mm: as in RemovedBody; null or left out where nobody knows it."""

    step: Annotated[int, PlainWhole] | None = Field(default=None, ge=0)
    until: Argument | None = None
    removed_mm: Millimetres | None = None

    @property
    def removed_m(self) -> float | None:
        """In metres."""
        return None if self.removed_mm is None else self.removed_mm * 1e-3


class JobBody(RecipeBody):
    """A recipe to queue, and when. Times carry their offset from UTC.

    serial: serial number of the antenna; the job asks for that one by hand. batch: a name that
        jobs over several serial numbers have in common.
    """

    priority: int = Field(default=0, ge=-100, le=100, strict=True)
    not_before: Moment | None = None
    finish_by: Moment | None = None
    serial: Serial | None = None
    batch: Batch | None = None

    @property
    def request(self) -> JobRequest:
        """When the job may run."""
        return JobRequest(self.priority, self.not_before, self.finish_by, self.serial, self.batch)

    @model_validator(mode="after")
    def _window_in_order(self) -> JobBody:
        if self.not_before and self.finish_by and self.finish_by <= self.not_before:
            raise ValueError('"finish_by" must come after "not_before"')
        return self
