"""What makes one make of instrument differ from another: headers, words, replies, habits."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from simulators.instruments.settings import ChoiceSetting, Setting, Value
from simulators.scpi.numbers import format_number

AnswerFormat = Callable[[str, Setting, str], str]


def bare_answer(pattern: str, setting: Setting, text: str) -> str:
    """Just the value, as SCPI-1999 wants it."""
    return text


@dataclass(frozen=True)
class Dialect:
    """How one kind of instrument is spoken to.

    Attributes:
        settings: header pattern to the name of a setting; gives a command and a query.
        actions: header pattern, a query's with `?`, to the name of an action.
        words: for a choice setting, its own words instead of the standard ones.
        defaults: settings whose value after `*RST` differs.
        answer: turns header pattern, setting and value text into a reply.
        number: how a number is written in replies.
        extra_latency_s: further delay of this make, added to the world file's latency.
        binary: whether traces may be asked for as blocks.
        rbw_steps: the mantissas of the available bandwidths; empty for any bandwidth.
    """

    settings: Mapping[str, str]
    actions: Mapping[str, str]
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    defaults: Mapping[str, Value] = field(default_factory=dict)
    answer: AnswerFormat = bare_answer
    number: Callable[[float], str] = format_number
    extra_latency_s: float = 0.0
    binary: bool = True
    rbw_steps: tuple[float, ...] = ()

    def adapt(self, name: str, setting: Setting) -> Setting:
        """The setting with this dialect's words and default."""
        words = setting.words if isinstance(setting, ChoiceSetting) else None
        changes: dict[str, object] = {}
        if words is not None and name in self.words:
            changes["words"] = self.words[name]
        if name in self.defaults:
            changes["default"] = self.defaults[name]
        if not changes:
            return setting
        return type(setting)(**{**setting.__dict__, **changes})

    def text(self, pattern: str, setting: Setting, value: Value) -> str:
        """Reply to a query of a setting."""
        if isinstance(setting, ChoiceSetting):
            text = setting.parameter().word(str(value))
        elif isinstance(value, bool):
            text = "1" if value else "0"
        else:
            text = self.number(float(value)) if isinstance(value, float) else str(value)
        return self.answer(pattern, setting, text)


def long_header(pattern: str) -> str:
    """The header an echoing instrument puts before its answers: long forms, optional nodes out."""
    return re.sub(r"\[[^\]]*\]", "", pattern).strip(":?").upper()
