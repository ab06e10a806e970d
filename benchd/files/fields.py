"""The kinds of value that bench files and recipes hold, each with its own plain-worded refusal.

Every kind reads what YAML gives (text, number, list...) or a `Given`: a parameter's value that
has been read already. Each also describes itself as JSON Schema, for editors.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import (
    BaseModel,
    ConfigDict,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    ValidationInfo,
)
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from benchd.files.table import Table
from benchd.files.yamlfile import nearest
from benchd.units import Kind, UnitError, parse, show, spellings

_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"


class Stored:
    """Context of a validation that reads what benchd itself wrote: numbers without units, SI."""


STORED = Stored()

ANY = "any"
UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Given:
    """A parameter's value in place of text.

    kind: the parameter's kind (`frequency`, `antenna`, ...).
    value: SI number, whole number, truth value or text.
    text: how it reads inside a sentence, with its unit.
    sample: True where the real value is not known yet; then only the kind is checked. The kind
        `any` stands for a value that is wrong elsewhere and has been reported there.
    """

    name: str
    kind: str
    value: Any
    text: str
    sample: bool = False


class Band(BaseModel):
    """Two ends of a range, both included, in the unit of its field."""

    model_config = ConfigDict(frozen=True)

    least: float
    most: float

    def holds(self, value: float) -> bool:
        """True inside; a part in 10^9 of slack forgives rounding of decimal input."""
        slack = 1e-9 * max(abs(self.least), abs(self.most))
        return self.least - slack <= value <= self.most + slack


def wrong(message: str, at: tuple[str | int, ...] = ()) -> PydanticCustomError:
    """A refusal with its own words. `at`: key path below the value, where that is known."""
    return PydanticCustomError("benchd", "{message}", {"message": message, "at": at})


def with_article(word: str) -> str:
    """`a level`, `an antenna`."""
    return f"an {word}" if word[0] in "aeiou" else f"a {word}"


def describe(value: Any) -> str:
    """A found value as the person would recognise it."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"' if len(value) <= 60 else f'"{value[:57]}..."'
    if isinstance(value, dict):
        return "a mapping"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, Given):
        return f"${value.name} ({with_article(value.kind)})"
    return f"{value}"


def quantity_pattern(kind: Kind) -> str:
    """Regular expression (ECMA 262 and Python alike) of a quantity of this kind."""
    units = "|".join(re.escape(unit) for unit in spellings(kind))
    return rf"^\s*{_NUMBER}\s*(?:{units})\s*$"


class _FieldKind:
    """Base: a validator and a JSON Schema in one annotation."""

    def read(self, value: Any) -> Any:
        """Read one value or raise."""
        raise wrong(f"found {describe(value)}")

    def stored(self, value: Any) -> Any:
        """Read one value that benchd itself wrote, or raise."""
        return self.read(value)

    def schema(self) -> dict[str, Any]:
        """The JSON Schema of what a person may write."""
        return {}

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.with_info_plain_validator_function(self._read)

    def _read(self, value: Any, info: ValidationInfo) -> Any:
        return self.stored(value) if info.context is STORED else self.read(value)

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return self.schema()


@dataclass(frozen=True)
class Measure(_FieldKind):
    """A quantity with its unit, read to the kind's base unit; limits in the base unit."""

    kind: Kind
    least: float | None = None
    most: float | None = None
    above: float | None = None

    def read(self, value: Any) -> float:
        """The number in the base unit. Refuses other kinds, missing units and values outside."""
        name = self.kind.value.name
        if isinstance(value, Given):
            if value.kind not in (name, ANY):
                raise wrong(f"${value.name} is {with_article(value.kind)}, expected a {name}")
            if value.sample:
                return self._example()
            number = float(value.value)
        else:
            if not isinstance(value, (str, int, float)) or isinstance(value, bool):
                example = f'a {name} with its unit, such as "{self.kind.value.example}"'
                raise wrong(f"found {describe(value)}, expected {example}")
            try:
                number = parse(value, self.kind)
            except UnitError as error:
                raise wrong(str(error)) from error
        if not math.isfinite(number):
            raise wrong(f"found {describe(value)}, expected a finite {name}")
        # 2.3 GHz must not become 2299999999.9999995 Hz: equal quantities must be equal numbers.
        number = float(f"{number:.12g}")
        self._check(number)
        return number

    def stored(self, value: Any) -> float:
        """The number, as it was once read."""
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise wrong(f"found {describe(value)}, expected a number in {self.kind.value.unit}")
        return float(value)

    def _example(self) -> float:
        return parse(self.kind.value.example, self.kind)

    def _check(self, number: float) -> None:
        unit = self.kind.value.unit
        if self.above is not None and number <= self.above:
            limit = show(self.above, unit)
            raise wrong(f"found {show(number, unit)}, expected more than {limit}")
        if self.least is not None and number < self.least:
            raise wrong(f"found {show(number, unit)}, expected {show(self.least, unit)} or more")
        if self.most is not None and number > self.most:
            raise wrong(f"found {show(number, unit)}, expected {show(self.most, unit)} or less")

    def schema(self) -> dict[str, Any]:
        """Text with a number and one of the kind's units."""
        return {
            "type": "string",
            "pattern": quantity_pattern(self.kind),
            "examples": [self.kind.value.example],
        }


@dataclass(frozen=True)
class KnownOr(_FieldKind):
    """A quantity, or the word `unknown`: said on purpose, which nothing at all does not say."""

    measure: Measure

    def read(self, value: Any) -> float | str:
        """The number in the base unit, or "unknown"."""
        return UNKNOWN if value == UNKNOWN else self.measure.read(value)

    def stored(self, value: Any) -> float | str:
        """The number, or the word."""
        return UNKNOWN if value == UNKNOWN else self.measure.stored(value)

    def schema(self) -> dict[str, Any]:
        """A quantity or the word."""
        return {"anyOf": [self.measure.schema(), {"const": UNKNOWN}]}


@dataclass(frozen=True)
class Words(_FieldKind):
    """Text of bounded length, optionally of one form."""

    what: str = "text"
    form: str = ""
    most: int = 200
    lines: bool = False

    def read(self, value: Any) -> str:
        """The text. Refuses numbers (quotes are missing), emptiness, length and other forms."""
        text = value.text if isinstance(value, Given) else value
        if not isinstance(text, str):
            hint = "; put it in quotes" if isinstance(text, (int, float)) else ""
            raise wrong(f"found {describe(text)}, expected {self.what}{hint}")
        if not text.strip():
            raise wrong(f"found empty text, expected {self.what}")
        if len(text) > self.most:
            raise wrong(f"found {len(text)} characters, expected {self.most} at most")
        if not self.lines and ("\n" in text or "\t" in text):
            raise wrong(f"found a line break or tab, expected {self.what} on one line")
        if self.form and not re.fullmatch(self.form, text):
            raise wrong(f"found {describe(text)}, expected {self.what}")
        return text

    def schema(self) -> dict[str, Any]:
        """Text with its greatest length and form."""
        found: dict[str, Any] = {"type": "string", "minLength": 1, "maxLength": self.most}
        if self.form:
            found["pattern"] = f"^(?:{self.form})$"
        return found


@dataclass(frozen=True)
class OneOf(_FieldKind):
    """One word of a closed list."""

    words: tuple[str, ...]

    def read(self, value: Any) -> str:
        """The word. Refuses others, with the nearest."""
        text = value.text if isinstance(value, Given) else value
        if isinstance(value, Given) and value.sample:
            return self.words[0]
        if not isinstance(text, str):
            raise wrong(f"found {describe(text)}, expected one of: {', '.join(self.words)}")
        if text not in self.words:
            raise wrong(f'"{text}" is not known, {nearest(text, self.words)}')
        return text

    def schema(self) -> dict[str, Any]:
        """The list."""
        return {"enum": list(self.words)}


@dataclass(frozen=True)
class Whole(_FieldKind):
    """A whole number within limits."""

    least: int
    most: int

    def read(self, value: Any) -> int:
        """The number. Refuses fractions, text and values outside."""
        number = value
        if isinstance(value, Given):
            if value.kind not in ("integer", ANY):
                raise wrong(f"${value.name} is {with_article(value.kind)}, expected an integer")
            if value.sample:
                return self.least
            number = value.value
        if isinstance(number, bool) or not isinstance(number, int):
            raise wrong(f"found {describe(number)}, expected a whole number without a unit")
        if not self.least <= number <= self.most:
            raise wrong(f"found {number}, expected {self.least} to {self.most}")
        return number

    def schema(self) -> dict[str, Any]:
        """Whole number with limits."""
        return {"type": "integer", "minimum": self.least, "maximum": self.most}


@dataclass(frozen=True)
class Plain(_FieldKind):
    """A number without a unit (VSWR, reflection magnitude)."""

    least: float | None = None
    most: float | None = None

    def read(self, value: Any) -> float:
        """The number. Refuses text, units and values outside."""
        number = value
        if isinstance(value, Given):
            if value.kind not in ("number", "integer", ANY):
                raise wrong(f"${value.name} is {with_article(value.kind)}, expected a number")
            if value.sample:
                return self.least if self.least is not None else 1.0
            number = value.value
        if isinstance(number, bool) or not isinstance(number, (int, float)):
            raise wrong(f"found {describe(number)}, expected a number without a unit")
        if not math.isfinite(number):
            raise wrong(f"found {number}, expected a finite number")
        if self.least is not None and number < self.least:
            raise wrong(f"found {number:g}, expected {self.least:g} or more")
        if self.most is not None and number > self.most:
            raise wrong(f"found {number:g}, expected {self.most:g} or less")
        return float(number)

    def schema(self) -> dict[str, Any]:
        """Number with limits."""
        found: dict[str, Any] = {"type": "number"}
        if self.least is not None:
            found["minimum"] = self.least
        if self.most is not None:
            found["maximum"] = self.most
        return found


@dataclass(frozen=True)
class YesNo(_FieldKind):
    """true or false; yes and no are understood too."""

    def read(self, value: Any) -> bool:
        """The truth value."""
        if isinstance(value, Given) and value.sample:
            return True
        found = value.value if isinstance(value, Given) else value
        if isinstance(found, bool):
            return found
        if found in ("yes", "no"):
            return bool(found == "yes")
        raise wrong(f"found {describe(found)}, expected yes or no")

    def schema(self) -> dict[str, Any]:
        """The four spellings."""
        return {"enum": [True, False, "yes", "no"]}


@dataclass(frozen=True)
class Spread(_FieldKind):
    """Two ends of a range: `[10 MHz, 6 GHz]`."""

    kind: Kind
    above: float | None = None

    def read(self, value: Any) -> Band:
        """The band. Refuses one end, three ends, and ends in the wrong order."""
        if not isinstance(value, Sequence) or isinstance(value, str) or len(value) != 2:
            raise wrong(
                f"found {describe(value)}, expected both ends of a range of "
                f"{self.kind.value.name}, such as {_SPREADS.get(self.kind, 'two of them')}"
            )
        reader = Measure(self.kind, above=self.above)
        ends: list[float] = []
        for index, end in enumerate(value):
            try:
                ends.append(reader.read(end))
            except PydanticCustomError as error:
                raise wrong(str(error), (index,)) from error
        if ends[0] > ends[1] and not any(isinstance(v, Given) and v.sample for v in value):
            unit = self.kind.value.unit
            raise wrong(
                f"the range runs backwards, from {show(ends[0], unit)} to "
                f"{show(ends[1], unit)}; write the smaller end first"
            )
        return Band(least=ends[0], most=ends[1])

    def stored(self, value: Any) -> Band:
        """The band, as it was once read."""
        return Band.model_validate(value)

    def schema(self) -> dict[str, Any]:
        """A list of two quantities."""
        return {
            "type": "array",
            "items": Measure(self.kind).schema(),
            "minItems": 2,
            "maxItems": 2,
        }


@dataclass(frozen=True)
class OverFrequency(_FieldKind):
    """One quantity, or a table of it over frequency: `{1 GHz: 0.3 dB, 3 GHz: 0.5 dB}`."""

    kind: Kind
    least: float | None = None

    def read(self, value: Any) -> Table:
        """The table, sorted by frequency."""
        reader = Measure(self.kind, least=self.least)
        if isinstance(value, Given) and value.sample:
            return Table(frequency_hz=(), values=(0.0,))
        if not isinstance(value, dict):
            return Table(frequency_hz=(), values=(reader.read(value),))
        if not value:
            raise wrong("found an empty table, expected at least one frequency")
        rows: dict[float, float] = {}
        for key, entry in value.items():
            try:
                frequency_hz = Measure(Kind.FREQUENCY, above=0.0).read(key)
                number = reader.read(entry)
            except PydanticCustomError as error:
                raise wrong(str(error), (key,)) from error
            if frequency_hz in rows:
                raise wrong(f"{show(frequency_hz, 'Hz')} stands in the table twice", (key,))
            rows[frequency_hz] = number
        ordered = sorted(rows.items())
        return Table(
            frequency_hz=tuple(row[0] for row in ordered), values=tuple(row[1] for row in ordered)
        )

    def stored(self, value: Any) -> Table:
        """The table, as it was once read."""
        return Table.model_validate(value)

    def schema(self) -> dict[str, Any]:
        """A quantity or a mapping of frequencies to quantities."""
        one = Measure(self.kind).schema()
        return {
            "anyOf": [
                one,
                {
                    "type": "object",
                    "propertyNames": {"pattern": quantity_pattern(Kind.FREQUENCY)},
                    "additionalProperties": one,
                    "minProperties": 1,
                },
            ]
        }


_SPREADS = {Kind.FREQUENCY: "[10 MHz, 6 GHz]", Kind.LEVEL: "[-60 dBm, 15 dBm]"}


@dataclass(frozen=True)
class ListOrOne:
    """Marks a list in whose place a single value may stand."""

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_before_validator_function(_as_list, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        several = handler(schema)
        return {"anyOf": [several["items"], several]}


def _as_list(value: Any) -> Any:
    return value if isinstance(value, list) or value is None else [value]


NAME_FORM = r"[A-Za-z][A-Za-z0-9_-]*"
NAME_WORDS = "a name of letters, digits, - and _ that starts with a letter"

Name = Annotated[str, Words(NAME_WORDS, NAME_FORM, 40)]
Title = Annotated[str, Words("text", most=120)]
Text = Annotated[str, Words("text", most=2000, lines=True)]
# Antenna and capture names go into MQTT topics and file names: no / + # and no control signs.
Label = Annotated[
    str,
    Words(
        "a name of letters, digits, spaces and . , - _ ( ) that starts with a letter or digit",
        r"[^\W_][\w .,()-]*",
        60,
    ),
]
Frequency = Annotated[float, Measure(Kind.FREQUENCY, above=0.0)]
Duration = Annotated[float, Measure(Kind.TIME, least=0.0, most=7 * 86400.0)]
Length = Annotated[float, Measure(Kind.LENGTH, above=0.0, most=1000.0)]
Level = Annotated[float, Measure(Kind.LEVEL, least=-200.0, most=100.0)]
Ratio = Annotated[float, Measure(Kind.RATIO, least=-300.0, most=300.0)]
PositiveRatio = Annotated[float, Measure(Kind.RATIO, least=0.0, most=300.0)]
FrequencyBand = Annotated[Band, Spread(Kind.FREQUENCY, above=0.0)]
LevelBand = Annotated[Band, Spread(Kind.LEVEL)]
LossTable = Annotated[Table, OverFrequency(Kind.RATIO, least=0.0)]
RatioTable = Annotated[Table, OverFrequency(Kind.RATIO)]
GainTable = Annotated[Table, OverFrequency(Kind.GAIN)]
Truth = Annotated[bool, YesNo()]
