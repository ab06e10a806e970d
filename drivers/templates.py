"""Command templates: how a driver words its messages, and how a bench file may reword them. Pure.

A template is SCPI text with `{name}` or `{name:format}` for each value, for example
`:SOUR:FREQ:CW {frequency_hz:.12g}`. A quantity in Hz, s or dB may also be asked for in other
units: `{frequency_mhz:.6f}`, `{dwell_ms:g}`. Nothing but these plain fields is allowed: no
attributes, no indices, no conversions, no line breaks.
"""

from __future__ import annotations

import difflib
import math
import string
from collections.abc import Callable, Mapping
from typing import Any

from drivers.errors import BadSetting, BadTemplate, shown

_UNITS: dict[str, dict[str, float]] = {
    "hz": {"hz": 1.0, "khz": 1e-3, "mhz": 1e-6, "ghz": 1e-9},
    "s": {"s": 1.0, "ms": 1e3, "us": 1e6},
}
_SAMPLES: dict[type, Any] = {float: 1.5, int: 3, str: "WORD"}


class Command:
    """One compiled template.

    parameters: the values the driver offers, with their type (float, int or str).
    """

    def __init__(
        self, instrument: str, name: str, template: str, parameters: Mapping[str, type]
    ) -> None:
        self.name = name
        self.template = template
        self._instrument = instrument
        self._scaled: dict[str, tuple[str, float]] = {}
        self._parameters = parameters
        self._check_text()
        self._compile_fields()
        self._try_out()

    def text(self, **values: Any) -> str:
        """The message. Raises BadSetting for a number that is not finite."""
        for name, value in values.items():
            if type(value) is str:
                _refuse_separators(self._instrument, name, value)
            elif not math.isfinite(value):
                raise BadSetting(
                    self._instrument,
                    f"{name} must be a finite number, found {value!r}",
                    self.template,
                )
        for field, (name, factor) in self._scaled.items():
            values[field] = values[name] * factor
        return self.template.format(**values)

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
            raise self._wrong("holds a line break or another character that is not printable ASCII")

    def _compile_fields(self) -> None:
        known = self._known_fields()
        try:
            parsed = list(string.Formatter().parse(self.template))
        except ValueError as error:
            raise self._wrong(f"cannot be read: {error}") from error
        for _, field, spec, conversion in parsed:
            if field is None:
                continue
            if conversion or (spec and "{" in spec):
                raise self._wrong("may use plain fields only, such as {frequency_hz:.12g}")
            if field not in known:
                raise self._wrong(
                    f"has an unknown placeholder {{{field}}}; {_choices(field, list(known))}"
                )
            name, factor = known[field]
            if field != name:
                self._scaled[field] = (name, factor)

    def _known_fields(self) -> dict[str, tuple[str, float]]:
        known: dict[str, tuple[str, float]] = {}
        for name, kind in self._parameters.items():
            known[name] = (name, 1.0)
            stem, _, unit = name.rpartition("_")
            if kind is float and unit in _UNITS:
                for other, factor in _UNITS[unit].items():
                    known[f"{stem}_{other}"] = (name, factor)
        return known

    def _try_out(self) -> None:
        try:
            self.text(**{name: _SAMPLES[kind] for name, kind in self._parameters.items()})
        except (ValueError, TypeError, OverflowError) as error:
            raise self._wrong(f"cannot be filled in: {error}") from error

    def _wrong(self, fault: str) -> BadTemplate:
        return BadTemplate(
            self._instrument,
            f"the template of `{self.name}` {fault}: {shown(self.template)}.",
            advice="Mend it under `commands:` in the bench file.",
        )


def compile_commands(
    instrument: str,
    templates: Mapping[str, str],
    parameters: Mapping[str, Mapping[str, type]],
    overrides: Mapping[str, str | None],
    required: frozenset[str],
) -> dict[str, Command | None]:
    """All commands of a driver, the bench file's overrides in place.

    An override of None or "" removes an optional command. Raises BadTemplate for a name the
    driver does not have, for removing a required command, and for a template that cannot be used.
    """
    for name, override in overrides.items():
        if name not in templates:
            raise BadTemplate(
                instrument,
                f"there is no command `{name}` to override; {_choices(name, list(templates))}.",
                advice="Mend it under `commands:` in the bench file.",
            )
        if not override and name in required:
            raise BadTemplate(
                instrument,
                f"the command `{name}` is needed and cannot be removed.",
                advice="Give its wording under `commands:` in the bench file.",
            )
    commands: dict[str, Command | None] = {}
    for name, template in templates.items():
        text = overrides.get(name, template)
        commands[name] = Command(instrument, name, text, parameters.get(name, {})) if text else None
    return commands


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
