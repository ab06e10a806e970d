"""Reading replies that an instrument words in another way than SCPI does. Pure.

A bench file gives a reply a form, as it gives a command a template:

    replies:
      rf_query: {on: "RF IS ON", off: [MUTED, "RF IS OFF"]}     # words for a state
      level_query: "LEVEL={value} dBm"                          # a value within other text
      frequency_query: "{value_mhz} MHZ"                        # in another unit than Hz
      next_error: {form: "{text}", none: "NO FAULT"}            # no number; word for none
      fetch_trace: {form: "{value}dBm", separator: semicolon}   # many values
      set_frequency_settled: {done: READY}                      # word for finished

A form turns such a reply into what SCPI would have sent, so that one parser serves both, with all
its checks. Upper and lower case count alike, and any white space counts as one blank or none.
"""

from __future__ import annotations

import re
import string
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from drivers.errors import BadTemplate, UnexpectedReply, shown

Answer = Literal["number", "state", "states", "done", "error", "trace", "text"]
"""What a command answers: a number, one state or several, "finished", an error queue entry, a
trace, or any text."""

UNNUMBERED = 99_999
"""Code that stands for an error that the instrument reported without a number."""

SEPARATORS = {"comma": r"\s*,\s*", "semicolon": r"\s*;\s*", "blank": r"\s+"}

_MOST_TEXT = 4096
_MOST_FORM = 200
_FIELDS: dict[Answer, tuple[str, ...]] = {
    "number": ("value",),
    "state": ("value",),
    "states": ("value",),
    "done": ("value",),
    "error": ("code", "text"),
    "trace": ("value",),
    "text": ("text",),
}
_WORDS: dict[Answer, tuple[str, ...]] = {
    "state": ("on", "off"),
    "states": ("on", "off"),
    "done": ("done",),
    "error": ("none",),
}
_MANY: tuple[Answer, ...] = ("states", "trace")
_SCALES = {
    "value_khz": 1e3,
    "value_mhz": 1e6,
    "value_ghz": 1e9,
    "value_ms": 1e-3,
    "value_us": 1e-6,
}
"""A number told in another unit than the Hz or s that is asked for."""
_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_PATTERNS: dict[str, str] = {"code": r"[+-]?[0-9]{1,9}", "text": r".*", "any": r".*?"}


@dataclass(frozen=True, slots=True)
class ReplyForm:
    """One compiled form.

    pattern: of one value with the text around it. words: what the instrument says -> what SCPI
    would say. separator: pattern between values; None for a single one. scale: from the unit of
    the reply to Hz or s.
    """

    answer: Answer
    pattern: re.Pattern[str]
    words: Mapping[str, str]
    separator: re.Pattern[str] | None
    expected: str
    scale: float = 1.0

    def read(self, reply: str) -> str:
        """The reply as SCPI would have worded it. Raises UnexpectedReply."""
        if self.separator is not None:
            return ",".join(self._each(reply))
        text = reply.strip()
        if len(text) > _MOST_TEXT:
            raise UnexpectedReply(self.expected, shown(text))
        if self.answer == "error":
            return self._error(text)
        if self.answer in _WORDS and _plain(text) in self.words:
            return self.words[_plain(text)]
        match = self.pattern.fullmatch(text)
        if match is None:
            raise UnexpectedReply(self.expected, shown(text))
        return self._said(match)

    def _said(self, match: re.Match[str]) -> str:
        value = next(part for part in match.groups() if part is not None)
        if self.answer in ("state", "states", "done"):
            if _plain(value) not in self.words:
                raise UnexpectedReply(self.expected, shown(value))
            return self.words[_plain(value)]
        return value if self.scale == 1.0 else repr(float(value) * self.scale)

    def _each(self, reply: str) -> list[str]:
        """All values of a list, one after the other."""
        assert self.separator is not None
        text, at = reply.strip(), 0
        found: list[str] = []
        while True:
            match = self.pattern.match(text, at)
            if match is None or match.end() == at:
                raise UnexpectedReply(
                    f"{self.expected} at value {len(found) + 1}", shown(text[at : at + 60])
                )
            found.append(self._said(match))
            gap = self.separator.match(text, match.end())
            at = gap.end() if gap else match.end()
            if at >= len(text):
                return found
            if gap is None:
                raise UnexpectedReply(
                    f"{self.expected}, then the separator", shown(text[match.start() : at + 60])
                )

    def _error(self, text: str) -> str:
        if _plain(text) in self.words:
            return '0,""'
        match = self.pattern.fullmatch(text)
        if match is None:
            raise UnexpectedReply(self.expected, shown(text))
        groups = match.groupdict()
        code = groups.get("code") or str(UNNUMBERED)
        return f'{code},"{(groups.get("text") or "").strip()}"'


def compile_replies(
    instrument: str, answers: Mapping[str, Answer], given: Any
) -> dict[str, ReplyForm]:
    """The forms of a bench file's `replies:`, by command. Raises BadTemplate."""
    if not isinstance(given, Mapping):
        raise _wrong(instrument, (), f"must be a table of commands, found {given!r}")
    forms = {}
    for name, form in given.items():
        if name not in answers:
            known = ", ".join(sorted(answers))
            raise _wrong(
                instrument, (str(name),), f"no command `{name}` has a reply; known: {known}"
            )
        forms[name] = _compiled(instrument, name, answers[name], form)
    return forms


def _compiled(instrument: str, name: str, answer: Answer, given: Any) -> ReplyForm:
    table = {"form": given} if isinstance(given, str) else given
    if not isinstance(table, Mapping) or not table:
        raise _wrong(instrument, (name,), f"expected a text or a table, found {given!r}")
    allowed = ("form", *_WORDS.get(answer, ()), *(("separator",) if answer in _MANY else ()))
    for key in table:
        if key not in allowed:
            text = f"has no key `{key}`; allowed: {', '.join(allowed)}"
            raise _wrong(instrument, (name, str(key)), text)
    form = table.get("form", "{text}" if answer == "error" else "{value}")
    separator = _separator(instrument, name, answer, table.get("separator", "comma"))
    return ReplyForm(
        answer,
        _pattern(instrument, name, answer, form),
        _words(instrument, name, answer, table),
        separator,
        f"a reply of the form {shown(form)}",
        next((scale for field, scale in _SCALES.items() if f"{{{field}}}" in str(form)), 1.0),
    )


def _pattern(instrument: str, name: str, answer: Answer, form: Any) -> re.Pattern[str]:
    if not isinstance(form, str) or not 0 < len(form) <= _MOST_FORM:
        raise _wrong(instrument, (name,), f"the form must be a text, found {form!r}")
    known = _FIELDS[answer]
    value = _NUMBER if answer in ("number", "trace") else r".*?"
    if answer in _MANY and answer != "trace":
        value = r"[^,;\s]+"
    parts, used = [], []
    try:
        pieces = list(string.Formatter().parse(form))
    except ValueError as error:
        raise _wrong(
            instrument, (name,), f"the form {shown(form)} cannot be read: {error}"
        ) from error
    for number, (before, field, spec, conversion) in enumerate(pieces):
        parts.append(_literal(before))
        if before and field is not None:
            parts.append(r"\s*")
        if field is None:
            continue
        if answer == "number" and field in _SCALES:
            field = "value"
        if spec or conversion or field not in (*known, "any") or field in used:
            fields = " and ".join(f"{{{one}}}" for one in (*known, "any"))
            text = f"the form {shown(form)} may hold {fields}, each once and plain"
            raise _wrong(instrument, (name,), text)
        used.append(field)
        if field == "any":
            parts.append(_PATTERNS["any"])
        else:
            parts.append(f"(?P<{field}>{_PATTERNS.get(field, value)})")
        if number + 1 < len(pieces):
            parts.append(r"\s*")
    if not set(used) & set(known):
        text = f"the form {shown(form)} has no {' or '.join(f'{{{one}}}' for one in known)}"
        raise _wrong(instrument, (name,), text)
    return re.compile("".join(parts), re.IGNORECASE | re.DOTALL | re.ASCII)


def _literal(text: str) -> str:
    """Text as a pattern; any white space, or none, where the form has some."""
    words = re.split(r"\s+", text)
    return r"\s*".join(re.escape(word) for word in words)


def _words(instrument: str, name: str, answer: Answer, table: Mapping[Any, Any]) -> dict[str, str]:
    canonical = {"on": "1", "off": "0", "done": "1", "none": "0"}
    found: dict[str, str] = {}
    for key in _WORDS.get(answer, ()):
        given = table.get(key, [])
        for word in given if isinstance(given, list | tuple) else [given]:
            if not isinstance(word, str | int) or not _plain(str(word)):
                text = f"`{key}` must be a word or a list of words, found {word!r}"
                raise _wrong(instrument, (name, key), text)
            plain = _plain("ON" if word is True else "OFF" if word is False else str(word))
            if found.get(plain, canonical[key]) != canonical[key]:
                raise _wrong(instrument, (name, key), f"{shown(plain)} stands for on and for off")
            found[plain] = canonical[key]
    if answer in ("state", "states") and ("on" in table) != ("off" in table):
        raise _wrong(instrument, (name,), "needs words for `on` and for `off`")
    defaults = {
        "state": {"1": "1", "ON": "1", "0": "0", "OFF": "0"},
        "states": {"1": "1", "ON": "1", "0": "0", "OFF": "0"},
        "done": {"1": "1", "+1": "1"},
        "error": {},
    }
    stated = any(key in table for key in _WORDS.get(answer, ()))
    return found if stated else dict(defaults.get(answer, {}))


def _separator(instrument: str, name: str, answer: Answer, given: Any) -> re.Pattern[str] | None:
    if answer not in _MANY:
        return None
    if given in SEPARATORS:
        return re.compile(SEPARATORS[given])
    if isinstance(given, str) and re.fullmatch(r"[!-/:-@|~_]", given):
        return re.compile(rf"\s*{re.escape(given)}\s*")
    text = f"`separator` must be {', '.join(SEPARATORS)} or one sign, found {given!r}"
    raise _wrong(instrument, (name, "separator"), text)


def _plain(text: str) -> str:
    """A word for comparing: one case, white space folded."""
    return " ".join(text.upper().split())


def _wrong(instrument: str, key: tuple[str, ...], fault: str) -> BadTemplate:
    where = f"the reply of `{key[0]}`" if key else "`replies`"
    return BadTemplate(
        instrument,
        f"{where}: {fault}.",
        advice="Mend it under `replies:` in the bench file.",
        key=("replies", *key),
    )
