"""Parameters of a recipe: what a person may set when queueing it."""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import Field, ValidationInfo, model_validator
from pydantic_core import PydanticCustomError

from benchd.files.fields import (
    Given,
    Measure,
    OneOf,
    Plain,
    Text,
    Title,
    Whole,
    Words,
    YesNo,
    describe,
    with_article,
    wrong,
)
from benchd.files.filemodel import FileModel
from benchd.reduce.decibels import SPEED_OF_LIGHT_M_PER_S
from benchd.units import Kind, show
from benchd.untrusted import decimal_number, whole_number

MEASURES = {
    "frequency": Kind.FREQUENCY,
    "time": Kind.TIME,
    "length": Kind.LENGTH,
    "level": Kind.LEVEL,
    "ratio": Kind.RATIO,
    "gain": Kind.GAIN,
}
NAMES = ("text", "choice", "antenna", "route", "position")
KINDS = (*MEASURES, "number", "integer", "yes-no", *NAMES)
NO_POSITION = "none"
FOLLOWING = {"wavelengths": "length", "periods": "time", "times": "frequency"}
"""Key -> kind of parameter that it belongs to: how a default follows from a frequency."""
SPAN = "span"
DIGITS = 3
"""Ends and spans that follow from a frequency are rounded so, as people write them."""
CHOICES_OF_ANTENNA = ("reference", "range", "alike")
_MOST_INTEGER = 10**9

Scalar = str | int | float | bool
_NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity)", re.ASCII | re.IGNORECASE)


class _Times(Plain):
    """A plain number, or the word `span`."""

    def read(self, value: Any) -> Any:
        """The number or the word."""
        return SPAN if value == SPAN else super().read(value)

    def schema(self) -> dict[str, Any]:
        """A number or the word."""
        return {"anyOf": [super().schema(), {"const": SPAN}]}


class Parameter(FileModel):
    """One parameter. Without a default it must be given when the recipe is queued."""

    kind: Annotated[str, OneOf(KINDS)] = Field(description=f"one of: {', '.join(KINDS)}")
    about: Title | None = Field(None, description="what it is for, in one line")
    default: Any = Field(None, description="value where none is given")
    wavelengths: Annotated[float, Plain(0.0, 1000.0)] | None = Field(
        None, description="of a length: its default in wavelengths, at the frequency `of`"
    )
    periods: Annotated[float, Plain(0.0, 1000.0)] | None = Field(
        None, description="of a time: its default in periods of the frequency `of`"
    )
    times: Annotated[float | str, _Times(0.0, 1000.0)] | None = Field(
        None,
        description="of a frequency: its default as a multiple of the frequency `of`; or span, how "
        "wide a sweep an antenna of that type needs",
    )
    of: Title | None = Field(
        None,
        description="the parameter that the default follows from: a frequency, or an antenna, "
        "which stands for its design frequency",
    )
    choose: Annotated[str, OneOf(tuple(CHOICES_OF_ANTENNA))] | None = Field(
        None,
        description="of an antenna: which one is meant where none is given: reference (the only "
        "one of known gain that no route fixes), range (the one that the route fixes) or alike "
        "(any, where all have one design frequency and type)",
    )
    least: Any = Field(None, description="smallest value allowed")
    most: Any = Field(None, description="largest value allowed")
    choices: list[Text] | None = Field(None, description="the words that a choice may be")

    @model_validator(mode="after")
    def _consistent(self, info: ValidationInfo) -> Parameter:
        if (self.kind == "choice") != bool(self.choices):
            if self.kind == "choice":
                raise wrong('a choice needs the key "choices" with the words allowed')
            raise wrong(f'"choices" belongs to the kind choice, not to {self.kind}', ("choices",))
        if self.choose is not None and self.kind != "antenna":
            raise wrong(f"belongs to the kind antenna, not to {self.kind}", ("choose",))
        if self.choose is not None and self.default is not None:
            raise wrong('stands beside "choose"; keep one of them', ("default",))
        if self.kind in (*NAMES, "yes-no"):
            for key in ("least", "most"):
                if getattr(self, key) is not None:
                    raise wrong(f'the kind {self.kind} has no "{key}"', (key,))
        self._check_following()
        for key in ("least", "most", "default"):
            value = getattr(self, key)
            if value is None:
                continue
            try:
                self._bounded(value) if key == "default" else self._read(value)
            except PydanticCustomError as error:
                raise wrong(str(error), (key,)) from error
        if self.least is not None and self.most is not None and self._low() > self._high():
            raise wrong("lies below `least`", ("most",))
        return self

    def _check_following(self) -> None:
        """A default that follows from another parameter says how, and stands alone."""
        for key, kind in FOLLOWING.items():
            if getattr(self, key) is None:
                continue
            if self.of is None:
                raise wrong(f'"{key}" and "of" belong together')
            if self.kind != kind:
                raise wrong(f"belongs to the kind {kind}, not to {self.kind}", (key,))
            if self.default is not None:
                raise wrong(f'stands beside "{key}"; keep one of them', ("default",))
        if self.of is None:
            return
        if self.kind not in FOLLOWING.values():
            raise wrong(f"a default of kind {self.kind} follows from no other parameter", ("of",))
        if self.default is not None:
            raise wrong('stands beside "of"; keep one of them', ("default",))
        missing = {"length": "wavelengths", "time": "periods"}.get(self.kind)
        if missing is not None and getattr(self, missing) is None:
            raise wrong(f'"{missing}" and "of" belong together')

    def following(self, name: str, frequency_hz: float, span_hz: float | None = None) -> Given:
        """The default that follows from a frequency. Raises PydanticCustomError.

        A length comes out to a millimetre: what a ruler can do. A time and a multiple of a
        frequency come out to three digits, as people write them; the frequency itself as it is.
        span_hz: how wide a sweep of the antenna is, where `of` names one.
        """
        if self.wavelengths is not None:
            length_m = self.wavelengths * SPEED_OF_LIGHT_M_PER_S / frequency_hz
            return self.given(name, f"{1e3 * length_m:.0f} mm")
        if self.periods is not None:
            return self.given(name, f"{self.periods / frequency_hz:.{DIGITS}g} s")
        if self.times is None:
            return self.given(name, f"{frequency_hz:.12g} Hz")
        if self.times == SPAN:
            if span_hz is None:
                raise wrong(f'span is that of an antenna, and "{self.of}" is a frequency')
            return self.given(name, f"{span_hz:.{DIGITS}g} Hz")
        return self.given(name, f"{float(self.times) * frequency_hz:.{DIGITS}g} Hz")

    def given(self, name: str, value: Any) -> Given:
        """The value as read, within its limits. Raises PydanticCustomError."""
        number = self._bounded(value)
        return Given(name, self.kind, number, self._show(number))

    def from_text(self, name: str, text: str) -> Given:
        """The value of a text that was given when queueing. Raises PydanticCustomError."""
        if self.kind in ("integer", "number"):
            return self.given(name, self._number(text))
        if self.kind == "yes-no" and text in ("true", "false"):
            return self.given(name, text == "true")
        return self.given(name, text)

    def _number(self, text: str) -> float | int:
        try:
            return whole_number(text) if self.kind == "integer" else decimal_number(text)
        except ValueError:
            if self.kind == "number" and _NOT_FINITE.fullmatch(text):
                raise wrong(f"found {text}, expected a finite number") from None
            what = "a whole number" if self.kind == "integer" else "a number"
            raise wrong(f"found {describe(text)}, expected {what} without a unit") from None

    def sample(self, name: str) -> Given:
        """A stand-in while the real value is not known."""
        if self.kind == "choice" and self.choices:
            return Given(name, self.kind, self.choices[0], self.choices[0], sample=True)
        stand_in = True if self.kind == "yes-no" else 1.0
        return Given(name, self.kind, stand_in, "sample", sample=True)

    def _read(self, value: Any) -> Any:
        if self.kind in MEASURES:
            return Measure(MEASURES[self.kind]).read(value)
        if self.kind == "integer":
            return Whole(-_MOST_INTEGER, _MOST_INTEGER).read(value)
        if self.kind == "number":
            return Plain().read(value)
        if self.kind == "yes-no":
            return YesNo().read(value)
        if self.kind == "choice":
            return OneOf(tuple(self.choices or ())).read(value)
        return Words(with_article(self.kind), most=200).read(value)

    def _low(self) -> float:
        return float(self._read(self.least))

    def _high(self) -> float:
        return float(self._read(self.most))

    def _bounded(self, value: Any) -> Any:
        number = self._read(value)
        if self.least is not None and number < self._low():
            raise wrong(f"found {self._show(number)}, expected {self.least} or more")
        if self.most is not None and number > self._high():
            raise wrong(f"found {self._show(number)}, expected {self.most} or less")
        return number

    def _show(self, value: Any) -> str:
        if self.kind in MEASURES:
            return show(value, MEASURES[self.kind].value.unit, precision=12)
        if isinstance(value, bool):
            return "yes" if value else "no"
        return f"{value:.12g}" if isinstance(value, float) else str(value)
