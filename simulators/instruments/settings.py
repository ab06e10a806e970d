"""What can be set on an instrument: a value with its limits, default and unit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from simulators.scpi import Boolean, Choice, Keyword, Number, Parameter, ScpiError

Value = float | int | bool | str


@dataclass(frozen=True)
class NumberSetting:
    """A number between limits; `unit` is a key of `simulators.scpi.numbers.UNITS`."""

    default: float
    minimum: float
    maximum: float
    unit: str = ""
    whole: bool = False

    def parameter(self) -> Parameter:
        """How the value is written in a message."""
        return Number(self.unit)

    def check(self, value: float | Keyword) -> float | int:
        """The value to store.

        Raises:
            ScpiError: -222, with the limits, if it lies outside.
        """
        number = self.limit(value) if isinstance(value, Keyword) else value
        if not self.minimum <= number <= self.maximum:
            limits = f"{self.minimum:.9g} to {self.maximum:.9g} {self.unit}".rstrip()
            raise ScpiError(-222, f"{number:.9g} is outside {limits}")
        return round(number) if self.whole else float(number)

    def limit(self, keyword: Keyword) -> float | int:
        """The number a keyword stands for."""
        number = {
            Keyword.MINIMUM: self.minimum,
            Keyword.MAXIMUM: self.maximum,
            Keyword.DEFAULT: self.default,
        }[keyword]
        return round(number) if self.whole else number


@dataclass(frozen=True)
class FlagSetting:
    """On or off."""

    default: bool = False

    def parameter(self) -> Parameter:
        """How the value is written in a message."""
        return Boolean()

    def check(self, value: bool) -> bool:
        """The value to store."""
        return value


@dataclass(frozen=True)
class ChoiceSetting:
    """One of a few words; `words` maps what is sent (as a mnemonic) to what it means."""

    default: str
    words: Mapping[str, str]

    def parameter(self) -> Choice:
        """How the value is written in a message."""
        return Choice(self.words)

    def check(self, value: str) -> str:
        """The value to store."""
        return value


Setting = NumberSetting | FlagSetting | ChoiceSetting
