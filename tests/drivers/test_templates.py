"""Command templates: what a bench file may say, and what it may not."""

from __future__ import annotations

import pytest

from drivers.errors import BadSetting, BadTemplate
from drivers.source import ScpiSource
from drivers.switch import ScpiSwitch
from drivers.templates import Command


def text(template: str, **values: float | str) -> str:
    kinds = {name: type(value) for name, value in values.items()}
    return Command("generator", "set_frequency", template, kinds).text(**values)


@pytest.mark.parametrize(
    ("template", "expected"),
    [
        (":FREQ {frequency_hz:.12g}", ":FREQ 1700000000.5"),
        ("FR {frequency_mhz:.7f} MZ", "FR 1700.0000005 MZ"),
        ("F{frequency_ghz:g}GH", "F1.7GH"),
        ("F{frequency_khz:.1f}", "F1700000.0"),
        ("{{raw}} {frequency_hz:.0f}", "{raw} 1700000000"),
    ],
)
def test_quantities_are_worded_as_the_template_says(template: str, expected: str) -> None:
    assert text(template, frequency_hz=1_700_000_000.5) == expected


def test_times_may_be_asked_for_in_other_units() -> None:
    assert text("T{dwell_ms:g}/{dwell_us:g}/{dwell_s:g}", dwell_s=0.0025) == "T2.5/2500/0.0025"


@pytest.mark.parametrize(
    ("template", "complaint"),
    [
        (":FREQ {frequency}", "unknown placeholder {frequency}; did you mean `frequency_hz`?"),
        (":FREQ {zzz}", "known: frequency_ghz, frequency_hz"),
        (":FREQ {frequency_hz.real}", "unknown placeholder {frequency_hz.real}"),
        (":FREQ {frequency_hz[0]}", "unknown placeholder {frequency_hz[0]}"),
        (":FREQ {}", "unknown placeholder {}"),
        (":FREQ {frequency_hz!r}", "plain fields only"),
        (":FREQ {frequency_hz:{frequency_hz}}", "plain fields only"),
        (":FREQ {frequency_hz:d}", "cannot be filled in"),
        (":FREQ {frequency_hz:.12g", "cannot be read"),
        (":FREQ }", "cannot be read"),
        (":FREQ {frequency_hz}\n:OUTP ON", "line break"),
        (":FREQ {frequency_hz}\r", "line break"),
        (":FREQ {frequency_hz} µs", "not printable ASCII"),
        (":FREQ {frequency_hz}\x00", "not printable ASCII"),
    ],
)
def test_templates_that_cannot_be_used_are_refused_when_the_bench_is_read(
    template: str, complaint: str
) -> None:
    with pytest.raises(BadTemplate) as caught:
        ScpiSource("generator", {"set_frequency": template})
    assert complaint in str(caught.value)
    assert str(caught.value).startswith("generator: the template of `set_frequency`")
    assert "Mend it under `commands:` in the bench file." in str(caught.value)


def test_an_unknown_command_is_refused_with_the_nearest_name() -> None:
    with pytest.raises(BadTemplate, match="no command `set_freq` to override; did you mean `set_"):
        ScpiSource("generator", {"set_freq": ":F {frequency_hz}"})


@pytest.mark.parametrize("nothing", [None, ""])
def test_optional_commands_can_be_removed_and_required_ones_cannot(nothing: str | None) -> None:
    source = ScpiSource("generator", {"clear": nothing, "next_error": nothing, "reset": nothing})
    assert [exchange.message for exchange in source.reset_state()] == ["*OPC?"]
    assert not source.has("next_error")
    with pytest.raises(BadTemplate, match="`rf_off` is needed and cannot be removed"):
        ScpiSource("generator", {"rf_off": nothing})


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf")])
def test_numbers_that_are_not_finite_never_leave(value: float) -> None:
    source = ScpiSource("generator")
    for call in (source.set_frequency, source.set_frequency_settled, source.set_level):
        with pytest.raises(BadSetting, match="must be a finite number"):
            call(value)


@pytest.mark.parametrize("word", ["101;*RST", "101\n*RST", "101\r", "101\x00", "é"])
def test_no_separator_reaches_an_instrument_from_a_string(word: str) -> None:
    command = Command("selector", "close", ":ROUT:CLOS (@{channels})", {"channels": str})
    with pytest.raises(BadSetting, match="printable ASCII without `;` only"):
        command.text(channels=word)


def test_channels_are_numbers_and_nothing_else() -> None:
    switch = ScpiSwitch("selector")
    for wrong in (["101)"], [101.0], [True], [-1], [], "101"):
        with pytest.raises(BadSetting):
            switch.close(wrong)  # type: ignore[arg-type]
