"""Reading a question such as "how good is this Yagi's match from 1.68 to 1.71 GHz?". Pure.

A small grammar, not a guess: quantities, a band or frequencies, a limit, an antenna, and by hand or
by switch. Each is cut out of the text; what is left and is not an ordinary filling word was not
understood, and is told with what was.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from benchd.bench.antennas import RELATIVE_SPANS
from benchd.errors import UserError
from benchd.rounding import band_words, number_words
from benchd.units import Kind, UnitError, parse


class Asked(StrEnum):
    """What a question may be about. A recipe answers each with quantities of its own."""

    MATCH = "match"
    RESONANCE = "resonance"
    BANDWIDTH = "bandwidth"
    GAIN = "gain"


QUANTITIES = tuple(Asked)
WAYS = ("hand", "switch")
UNDERSTOOD = (
    "match (return loss, VSWR), resonance (trim, too long, too short), bandwidth, gain; "
    '"from 1.68 to 1.71 GHz", "at 1.69 GHz"; "at least 12 dB", "VSWR below 1.5", "at least 9 dBi"; '
    'the type or the quoted name of an antenna; "by hand", "by switch"'
)

_WORDS = {
    Asked.MATCH: r"match(?:ed|es|ing)?|return[ -]loss|reflect(?:s|ion|ions)?|v?swr|standing[ -]wave"
    r"(?:[ -]ratio)?",
    Asked.RESONANCE: r"resonan(?:ce|ces|t)|resonates?|trim(?:med|ming)?|too (?:long|short)|tuned|"
    r"detuned|off[ -]tune",
    Asked.BANDWIDTH: r"bandwidth|how wide(?:[ -]band(?:ed)?)?|wide[ -]?band",
    Asked.GAIN: r"(?:realised )?gain",
}
_VSWR = re.compile(r"\bv?swr\b|\bstanding[ -]wave", re.IGNORECASE)
_NUMBER = r"[0-9]+(?:\.[0-9]+)?"
_HZ = r"[kMG]?Hz"
_FREQUENCY = rf"{_NUMBER}\s*{_HZ}"
_BAND = re.compile(
    rf"\bbetween\s+({_NUMBER})\s*({_HZ})?\s*\band\b\s*({_FREQUENCY})"
    rf"|({_NUMBER})\s*({_HZ})?\s*(?:\bto\b|-|–|\.\.\.?)\s*({_FREQUENCY})",
    re.IGNORECASE,
)
_AT = re.compile(
    rf"\b(?:at|around|near|for|on)\s+({_FREQUENCY}(?:\s*(?:,|and)\s*{_FREQUENCY})*)", re.IGNORECASE
)
_MORE = r"at least|better than|more than|above|over|no less than|not below"
_LESS = r"at most|below|under|less than|no more than|not above"
_LIMIT = re.compile(
    rf"\b({_MORE}|{_LESS})\s+(?:an?\s+)?(?:v?swr\s+(?:of\s+)?)?({_NUMBER})"
    rf"(?:\s*(dBi|dBd|dB|{_HZ})\b|\s*:\s*1\b)?",
    re.IGNORECASE,
)
_QUOTED = re.compile(r"[\"“”]([^\"“”]{1,60})[\"“”]")
_WAY = re.compile(r"\b(?:by|with(?:\s+an?)?)\s+(hand|switch)\b|\b(hands?[ -]free|hands[ -]off)\b",
                  re.IGNORECASE)  # fmt: skip
_FILLING = frozenset(
    word
    for line in (
        "a about and antenna antennas antenna's any are as band be by can check do does far find",
        "frequencies frequency from get give good great has have high how i if in is it it's its",
        "large low made me measure much my of on our out over please range really s say see show",
        "small sure than that the their there these they this to us want we well what what's",
        "whether where which with within work works worst wrong you your",
    )
    for word in line.split()
)
_SPELLED = {"hz": "Hz", "khz": "kHz", "mhz": "MHz", "ghz": "GHz", "db": "dB", "dbi": "dBi",
            "dbd": "dBd"}  # fmt: skip


@dataclass
class Question:
    """What was asked, in SI units.

    quantities: of QUANTITIES, in their order. antenna: its name, where one was named; kind: its
    type, where that was named. band_hz: both ends. at_hz: single frequencies. least_...,
    largest_vswr: limits, None where none was named. way: of WAYS, "" where neither was named.
    """

    text: str = ""
    quantities: list[str] = field(default_factory=list)
    antenna: str = ""
    kind: str = ""
    band_hz: tuple[float, float] | None = None
    at_hz: list[float] = field(default_factory=list)
    least_return_loss_db: float | None = None
    largest_vswr: float | None = None
    least_bandwidth_hz: float | None = None
    least_gain_dbi: float | None = None
    wants_vswr: bool = False
    way: str = ""

    def words(self) -> str:
        """What was understood, in a few words."""
        parts = [" and ".join(self.quantities) or "no quantity"]
        if self.antenna or self.kind:
            parts[0] += f" of {self.antenna or self.kind}"
        if self.band_hz is not None:
            parts.append(f"from {band_words(*self.band_hz, 'Hz')}")
        if self.at_hz:
            parts.append(f"at {', '.join(number_words(one, 'Hz') for one in self.at_hz)}")
        for value, form in (
            (self.least_return_loss_db, "return loss at least {:g} dB"),
            (self.largest_vswr, "VSWR at most {:g}"),
            (self.least_gain_dbi, "gain at least {:g} dBi"),
        ):
            if value is not None:
                parts.append(form.format(value))
        if self.least_bandwidth_hz is not None:
            parts.append(f"bandwidth at least {number_words(self.least_bandwidth_hz, 'Hz')}")
        return ", ".join([*parts, *([f"by {self.way}"] if self.way else [])])


def read_question(text: str, antennas: Iterable[str] = ()) -> Question:
    """The question. antennas: names that the bench knows, which need no quotes.

    Raises UserError naming what was not understood.
    """
    question = Question(text)
    rest = _names(text, question, sorted(antennas, key=len, reverse=True))
    rest = _numbers(rest, question)
    question.wants_vswr = bool(_VSWR.search(rest)) or question.largest_vswr is not None
    for name, pattern in _WORDS.items():
        rest, count = re.subn(rf"\b(?:{pattern})\b", " ", rest, flags=re.IGNORECASE)
        if count:
            question.quantities.append(name)
    implied = {
        Asked.MATCH: question.least_return_loss_db is not None or question.largest_vswr is not None,
        Asked.BANDWIDTH: question.least_bandwidth_hz is not None,
        Asked.GAIN: question.least_gain_dbi is not None,
    }
    question.quantities = [
        name for name in QUANTITIES if name in question.quantities or implied.get(name)
    ]
    rest, _ = re.subn(r"['’]s\b", " ", rest)
    words = (word.strip("?!.,;:()") for word in rest.split())
    left = [word for word in words if word and word.lower() not in _FILLING]
    if left:
        raise UserError(
            f'not understood: "{" ".join(left)}" (understood: {question.words()}).',
            where="new-recipe",
            advice=f"It understands: {UNDERSTOOD}.",
        )
    if not question.quantities:
        raise UserError(
            "the question names nothing to measure.",
            where="new-recipe",
            advice=f"It understands: {UNDERSTOOD}.",
        )
    return question


def _names(text: str, question: Question, antennas: Sequence[str]) -> str:
    """Antenna, its type, and the way; returns what is left."""
    quoted = _QUOTED.search(text)
    if quoted is not None:
        question.antenna = quoted.group(1).strip()
        text = text[: quoted.start()] + " " + text[quoted.end() :]
    else:
        for name in antennas:
            found = re.search(rf"(?<!\w){re.escape(name)}(?!\w)", text, re.IGNORECASE)
            if found is not None:
                question.antenna = name
                text = text[: found.start()] + " " + text[found.end() :]
                break
    way = _WAY.search(text)
    if way is not None:
        question.way = (way.group(1) or "switch").lower()
        text = text[: way.start()] + " " + text[way.end() :]
    for kind in RELATIVE_SPANS:
        text, count = re.subn(rf"\b{kind}s?\b(?:['’]s)?", " ", text, flags=re.IGNORECASE)
        if count and kind != "other":
            question.kind = kind
    return text


def _numbers(text: str, question: Question) -> str:
    """Band, frequencies and limits; returns what is left."""
    band = _BAND.search(text)
    if band is not None:
        low, unit, high = band.group(1, 2, 3) if band.group(1) else band.group(4, 5, 6)
        high_unit = re.search(_HZ, high, re.IGNORECASE)
        assert high_unit is not None
        ends = _hz(f"{low} {unit or high_unit.group()}"), _hz(high)
        if not ends[0] < ends[1]:
            raise UserError(
                f'"{band.group().strip()}" is no band: its first end must be the lower one.',
                where="new-recipe",
            )
        question.band_hz = ends
        text = text[: band.start()] + " " + text[band.end() :]
    for at in _AT.finditer(text):
        question.at_hz += [_hz(one) for one in re.findall(_FREQUENCY, at.group(1), re.IGNORECASE)]
    text = _AT.sub(" ", text)
    for limit in _LIMIT.finditer(text):
        _take_limit(limit, question)
    # "VSWR" must stay, to be counted as a quantity.
    return _LIMIT.sub(lambda limit: " vswr " if "swr" in limit.group().lower() else " ", text)


def _take_limit(limit: re.Match[str], question: Question) -> None:
    word, number, unit = limit.groups()
    value, unit = float(number), _SPELLED.get((unit or "").lower(), "")
    is_least = re.fullmatch(_MORE, word, re.IGNORECASE) is not None
    if unit == "" and not is_least and value >= 1.0:
        question.largest_vswr = value
    elif unit == "dB" and is_least:
        question.least_return_loss_db = value
    elif unit in ("dBi", "dBd") and is_least:
        question.least_gain_dbi = parse(f"{number} {unit}", Kind.GAIN)
    elif unit.endswith("Hz") and is_least:
        question.least_bandwidth_hz = _hz(f"{number} {unit}")
    else:
        raise UserError(
            f'"{limit.group().strip()}" is no limit that it understands.',
            where="new-recipe",
            advice="Return loss, gain and bandwidth have a least value (in dB, dBi, MHz), VSWR "
            "has a largest one (a plain number from 1).",
        )


def _hz(text: str) -> float:
    number = re.match(_NUMBER, text.strip())
    unit = re.search(_HZ, text, re.IGNORECASE)
    assert number is not None
    assert unit is not None
    try:
        return parse(f"{number.group()} {_SPELLED[unit.group().lower()]}", Kind.FREQUENCY)
    except UnitError as error:
        raise UserError(f'"{text}": {error}', where="new-recipe") from error
