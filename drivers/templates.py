"""Command templates: how a driver words its messages, and how a bench file may reword them. Pure.

A template is SCPI text with `{name}` or `{name:format}` for each value, for example
`:SOUR:FREQ:CW {frequency_hz:.12g}`. A quantity in Hz, s or dB may also be asked for in other
units: `{frequency_mhz:.6f}`, `{dwell_ms:g}`. Nothing but these plain fields is allowed: no
attributes, no indices, no conversions, no line breaks, and no format that could grow without
bounds. Whether a wording does what the command is for is `drivers.wording_check`'s question.
"""

from __future__ import annotations

import difflib
import math
import re
import string
from collections.abc import Callable, Mapping
from typing import Any

from drivers.errors import BadSetting, BadTemplate, shown

_UNITS: dict[str, dict[str, float]] = {
    "hz": {"hz": 1.0, "khz": 1e-3, "mhz": 1e-6, "ghz": 1e-9},
    "s": {"s": 1.0, "ms": 1e3, "us": 1e6},
}
_SAMPLES: dict[type, Any] = {float: 1.5, int: 3, str: "WORD", tuple: (1.5, 2.5)}
# [sign][0][width][.precision][type], width and precision of two digits at most.
_SPEC = re.compile(r"(?:[ 0]?[<>=^])?[-+ ]?0?(?:[0-9]{1,2})?(?:\.[0-9]{1,2})?[defgEFGs]?", re.ASCII)


class _Numbers(tuple[float, ...]):
    """Several numbers in one placeholder: each in its format, with commas between."""

    def __format__(self, spec: str) -> str:
        return ",".join([format(value, spec) for value in self])


class Command:
    """One compiled template.

    parameters: the values the driver offers, with their type (float, int, str, or tuple for a
        list of numbers, of which each is worded as the placeholder says, with commas between).
    """

    def __init__(
        self, instrument: str, name: str, template: str, parameters: Mapping[str, type]
    ) -> None:
        self.name = name
        self.template = template
        self._instrument = instrument
        self._scaled: dict[str, tuple[str, float]] = {}
        self.parameters = parameters
        self._check_text()
        self._compile_fields()
        self._try_out()

    def text(self, **values: Any) -> str:
        """The message. Raises BadSetting for a number that is not finite."""
        for name, value in values.items():
            if type(value) is str:
                _refuse_separators(self._instrument, name, value)
                continue
            if isinstance(value, tuple):
                values[name] = _Numbers(value)
            if not all(map(math.isfinite, value if isinstance(value, tuple) else (value,))):
                raise BadSetting(
                    self._instrument,
                    f"{name} must be a finite number, found {value!r}",
                    self.template,
                )
        for field, (name, factor) in self._scaled.items():
            value = values[name]
            values[field] = (
                _Numbers(one * factor for one in value)
                if isinstance(value, tuple)
                else value * factor
            )
        return self.template.format(**values)

    def as_sent(self, parameter: str, value: float) -> tuple[float, float]:
        """The value as the message holds it, rounded by its format, and by which factor it counts.

        If the template does not use the parameter, the value is returned unchanged with factor 1.
        """
        for _, field, spec, _ in string.Formatter().parse(self.template):
            if field is None:
                continue
            name, factor = self._scaled.get(field, (field, 1.0))
            if name == parameter:
                return float(format(value * factor, spec or "")) / factor, factor
        return value, 1.0

    def one_number(self, parameter: str) -> Callable[[float], str]:
        """A quick formatter for a command of one number, for the inner loop of a sweep.

        It skips the check of `text`; the caller makes sure that the number is finite.
        """
        render = self.template.format
        if not self._scaled:
            return lambda value: render(**{parameter: value})
        scales = [(field, factor) for field, (_, factor) in self._scaled.items()]

        def formatted(value: float) -> str:
            return render(
                **{parameter: value}, **{field: value * factor for field, factor in scales}
            )

        return formatted

    def _check_text(self) -> None:
        if any(ord(letter) < 0x20 or ord(letter) > 0x7E for letter in self.template):
            raise self.wrong("holds a line break or another character that is not printable ASCII")

    def _compile_fields(self) -> None:
        known = self._known_fields()
        try:
            parsed = list(string.Formatter().parse(self.template))
        except ValueError as error:
            raise self.wrong(f"cannot be read: {error}") from error
        for _, field, spec, conversion in parsed:
            if field is None:
                continue
            if conversion or (spec and "{" in spec):
                raise self.wrong("may use plain fields only, such as {frequency_hz:.12g}")
            if spec and not _SPEC.fullmatch(spec):
                raise self.wrong(
                    f"has the number format {shown(spec)}; expected one such as .12g, .3f or d, "
                    "with a width and a precision of two digits at most"
                )
            if field not in known:
                raise self.wrong(
                    f"has an unknown placeholder {{{field}}}; {_choices(field, list(known))}"
                )
            name, factor = known[field]
            if field != name:
                self._scaled[field] = (name, factor)

    def _known_fields(self) -> dict[str, tuple[str, float]]:
        known: dict[str, tuple[str, float]] = {}
        for name, kind in self.parameters.items():
            known[name] = (name, 1.0)
            stem, _, unit = name.rpartition("_")
            if kind in (float, tuple) and unit in _UNITS:
                for other, factor in _UNITS[unit].items():
                    known[f"{stem}_{other}"] = (name, factor)
        return known

    def _try_out(self) -> None:
        try:
            self.text(**{name: _SAMPLES[kind] for name, kind in self.parameters.items()})
        except (ValueError, TypeError, OverflowError) as error:
            raise self.wrong(f"cannot be filled in: {error}") from error

    def source_of(self, field: str) -> tuple[str, float]:
        """The parameter that a placeholder takes, and the factor to the placeholder's unit."""
        return self._scaled.get(field, (field, 1.0))

    def wrong(self, fault: str) -> BadTemplate:
        """The refusal of this template, for the reason given."""
        return bad_template(
            self._instrument,
            self.name,
            f"the template of `{self.name}` {fault}: {shown(self.template)}.",
        )


def bad_template(instrument: str, name: str, message: str) -> BadTemplate:
    """A refusal of the wording of one command, with its place in the bench file."""
    return BadTemplate(
        instrument,
        message,
        advice="Mend it under `commands:` in the bench file.",
        key=("commands", name),
    )


def compile_commands(
    instrument: str,
    templates: Mapping[str, str],
    parameters: Mapping[str, Mapping[str, type]],
    overrides: Mapping[str, str | None],
    required: frozenset[str],
) -> tuple[dict[str, Command | None], list[BadTemplate]]:
    """All commands of a driver, the bench file's overrides in place, and what is wrong with them.

    An override of None or "" removes an optional command. Wrong are a name that the driver does
    not have, removing a required command, and a template that cannot be used; in its place stands
    the driver's own.
    """
    wrong: list[BadTemplate] = []
    for name in overrides:
        if name not in templates:
            wrong.append(
                bad_template(
                    instrument,
                    name,
                    f"there is no command `{name}` to override; {_choices(name, list(templates))}.",
                )
            )
    commands: dict[str, Command | None] = {}
    for name, template in templates.items():
        commands[name] = Command(instrument, name, template, parameters.get(name, {}))
        override = overrides.get(name, template)
        try:
            if override:
                commands[name] = Command(instrument, name, override, parameters.get(name, {}))
            elif name in required:
                fault = f"the command `{name}` is needed and cannot be removed."
                wrong.append(
                    BadTemplate(
                        instrument,
                        fault,
                        advice="Give its wording under `commands:` in the bench file.",
                        key=("commands", name),
                    )
                )
            else:
                commands[name] = None
        except BadTemplate as error:
            wrong.append(error)
    return commands, wrong


def _refuse_separators(instrument: str, name: str, value: str) -> None:
    if any(ord(letter) < 0x20 or ord(letter) > 0x7E or letter == ";" for letter in value):
        raise BadSetting(
            instrument,
            f"{name} may hold printable ASCII without `;` only, found {shown(value)}",
        )


def nearest(word: str, words: list[str]) -> str | None:
    """The word most like the one given, or None if none comes near."""
    found = difflib.get_close_matches(word, words, n=1, cutoff=0.5)
    return found[0] if found else None


def _choices(word: str, words: list[str]) -> str:
    best = nearest(word, words)
    if best:
        return f"did you mean `{best}`?"
    return f"known: {', '.join(sorted(words))}" if words else "it takes no values"
