"""Kinds of parameter a command takes; each turns text into a value or raises a `ScpiError`."""

from __future__ import annotations

import enum
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from simulators.scpi.blocks import decode_block
from simulators.scpi.errors import ScpiError
from simulators.scpi.numbers import parse_number


class Keyword(enum.Enum):
    """Words that stand for a number (SCPI-1999 volume 1, 7.2.1)."""

    MINIMUM = "MINimum"
    MAXIMUM = "MAXimum"
    DEFAULT = "DEFault"


def mnemonic_forms(mnemonic: str) -> tuple[str, str]:
    """Short and long form, upper case, of a mnemonic written as `FREQuency`."""
    short = re.match(r"[A-Z0-9_*]*", mnemonic)
    return (short.group() if short else ""), mnemonic.upper()


_KEYWORDS = {form: word for word in Keyword for form in mnemonic_forms(word.value)}


class Parameter(Protocol):
    """What every kind of parameter offers."""

    def parse(self, text: str) -> Any:
        """Value of the text.

        Raises:
            ScpiError: the text is not of this kind.
        """


@dataclass(frozen=True)
class Number:
    """A decimal or non-decimal number with an optional suffix, or `MINimum` and its like."""

    unit: str = ""

    def parse(self, text: str) -> float | Keyword:
        """Value in the base unit, or the keyword."""
        keyword = _KEYWORDS.get(text.upper())
        return keyword if keyword is not None else parse_number(text, self.unit)


@dataclass(frozen=True)
class Limit:
    """The optional parameter of a query for a limit: `FREQuency? MAXimum`."""

    def parse(self, text: str) -> Keyword:
        """The keyword."""
        keyword = _KEYWORDS.get(text.upper())
        if keyword is None:
            raise ScpiError(-224, f"{text[:40]}, expected MINimum, MAXimum or DEFault")
        return keyword


@dataclass(frozen=True)
class Boolean:
    """`ON`, `OFF` or a number that rounds to zero or not (SCPI-1999 volume 1, 7.3)."""

    def parse(self, text: str) -> bool:
        """True for on."""
        word = text.upper()
        if word in ("ON", "1"):
            return True
        if word in ("OFF", "0"):
            return False
        if word[:1].isalpha():
            raise ScpiError(-224, f"{text[:40]}, expected ON, OFF, 1 or 0")
        return round(parse_number(text)) != 0


class Choice:
    """One word of a list; words are written as mnemonics, `SWAPped`, and mapped to a value."""

    def __init__(self, words: Mapping[str, str]) -> None:
        self._words = dict(words)
        self._values = {form: words[word] for word in words for form in mnemonic_forms(word)}

    def parse(self, text: str) -> str:
        """The value the word stands for."""
        try:
            return self._values[text.upper()]
        except KeyError:
            pass
        if text[:1].isalpha():
            raise ScpiError(-224, f"{text[:40]}, expected {' or '.join(self._words)}")
        raise ScpiError(-104, text[:40])

    def word(self, value: str) -> str:
        """The short form that a query answers with (SCPI-1999 volume 1, 6.2.3)."""
        for word, meaning in self._words.items():
            if meaning == value:
                return mnemonic_forms(word)[0]
        raise ScpiError(-310, f"no word for {value}")


@dataclass(frozen=True)
class ChannelList:
    """`(@101,302)` or `(@101:104)` (SCPI-1999 volume 1, 8.3.2)."""

    longest: int = 256

    def parse(self, text: str) -> tuple[int, ...]:
        """The channels in the order given."""
        if not (text.startswith("(@") and text.endswith(")")):
            raise ScpiError(-104 if not text.startswith("(") else -171, text[:40])
        channels: list[int] = []
        for entry in text[2:-1].split(","):
            match = re.fullmatch(r"\s*([0-9]{1,6})\s*(?::\s*([0-9]{1,6})\s*)?", entry)
            if match is None:
                raise ScpiError(-171, text[:40])
            first, last = int(match[1]), int(match[2] or match[1])
            if abs(last - first) >= self.longest or len(channels) >= self.longest:
                raise ScpiError(-223, text[:40])
            channels.extend(range(first, last + 1) if first <= last else range(first, last - 1, -1))
        return tuple(channels)


@dataclass(frozen=True)
class BlockData:
    """An arbitrary block."""

    longest: int = 4096

    def parse(self, text: str) -> bytes:
        """The payload."""
        if not text.startswith("#"):
            raise ScpiError(-104, text[:40])
        payload = decode_block(text)
        if len(payload) > self.longest:
            raise ScpiError(-223, f"at most {self.longest} bytes")
        return payload
