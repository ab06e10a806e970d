"""A driver that is of the wrong kind, or lacks what its kind must do, is a line of the file."""

from __future__ import annotations

from importlib.metadata import EntryPoint

import pytest

from benchd.bench import parse_bench
from benchd.errors import BenchFileError, RecipeError
from benchd.recipe import load_recipe, resolve
from drivers import registry
from tests.bench import strange_drivers


@pytest.fixture(autouse=True)
def strangers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every class of strange_drivers is installed, by its name in small letters."""
    own = list(registry.entry_points(group=registry.GROUP))
    found = [
        EntryPoint(name.lower(), f"tests.bench.strange_drivers:{name}", registry.GROUP)
        for name, one in vars(strange_drivers).items()
        if isinstance(one, type) and one.__module__ == strange_drivers.__name__
    ]
    monkeypatch.setattr(registry, "entry_points", lambda group: [*own, *found])


def refusal(text: str) -> str:
    with pytest.raises(BenchFileError) as refused:
        parse_bench(text, file="small.yaml")
    return str(refused.value)


KINDS = {
    "source": ("generator", 7, 13, "driver: scpi-source"),
    "analyzer": ("analyzer", 13, 13, "driver: scpi-analyzer"),
    "switch": ("selector", 19, 13, "driver: scpi-switch"),
    "lid": ("contact", 26, 32, "driver: scpi-lid"),
}
DRIVERS = {**{kind: f"scpi-{kind}" for kind in KINDS}, "thermometer": "scpi-thermometer"}


@pytest.mark.parametrize("driver", DRIVERS)
@pytest.mark.parametrize("kind", KINDS)
def test_a_driver_of_another_kind_is_refused_at_its_line(
    bench_text: str, kind: str, driver: str
) -> None:
    if kind == driver:
        return
    name, line, column, written = KINDS[kind]
    text = bench_text.replace(written, f"driver: {DRIVERS[driver]}")
    assert refusal(text) == (
        f'small.yaml:{line}:{column}: instruments.{name}.driver: "{DRIVERS[driver]}" drives '
        f"instruments of kind {driver}, expected a driver for kind {kind}"
    )


def test_a_strangers_driver_that_can_do_all_is_welcome(bench_text: str) -> None:
    parse_bench(bench_text.replace("driver: scpi-source", "driver: good"))


@pytest.mark.parametrize(
    ("driver", "message"),
    [
        (
            "nokind",
            '"nokind" drives no kind that benchd knows, expected a driver for kind source',
        ),
        (
            "claimstobeasource",
            'the driver "claimstobeasource" lacks what an instrument of kind source must be able '
            "to do: `can_tell_rf`; `rf_off`; `rf_query`; `least_level`; `rf_on`; `set_level`; "
            "`level_setting`; `set_frequency_settled`; `frequency_setting`. Use a driver that has "
            "it, or add it to this one",
        ),
        (
            "takesnolevel",
            'the driver "takesnolevel" lacks what an instrument of kind source must be able to do: '
            "`set_level`, which cannot be given (level_dbm). Use a driver that has it, or add it "
            "to this one",
        ),
        (
            "unmarked",
            'the driver "unmarked" marks none of the messages that switch RF on with `radiates`; '
            "benchd relies on that for safety",
        ),
        (
            "nooff",
            'the driver "nooff" says nothing to switch RF off; benchd relies on that for safety',
        ),
        (
            "offmoves",
            'the driver "offmoves" marks a message that switches RF off with `radiates`; benchd '
            "relies on that for safety",
        ),
        ("breaks", 'the driver "breaks" cannot word its part: RuntimeError: out of cheese'),
    ],
)
def test_a_driver_that_lacks_what_its_kind_must_do_is_refused_at_its_line(
    bench_text: str, driver: str, message: str
) -> None:
    text = bench_text.replace("driver: scpi-source", f"driver: {driver}")
    assert refusal(text) == f"small.yaml:7:13: instruments.generator.driver: {message}"


def test_an_output_that_the_driver_has_no_words_for_is_refused_at_its_key(bench_text: str) -> None:
    text = bench_text.replace(
        "driver: scpi-analyzer", "driver: notracking\n    tracking_level: [-30 dBm, 0 dBm]"
    )
    assert refusal(text) == (
        'small.yaml:14:21: instruments.analyzer.tracking_level: the driver "notracking" lacks what '
        "an instrument with a tracking output must be able to do: `tracking_on`. Use a driver that "
        "has it, or add it to this one"
    )
    parse_bench(text.replace("\n    tracking_level: [-30 dBm, 0 dBm]", ""))


def test_options_that_are_wrong_only_together_are_refused_at_their_line(bench_text: str) -> None:
    text = bench_text.replace(
        'driver: scpi-lid, address: "TCPIP::127.0.0.1::5004::SOCKET"}',
        'driver: together, address: "TCPIP::127.0.0.1::5004::SOCKET",\n'
        "    options: {quick: 1, careful: 1}}",
    )
    assert refusal(text) == (
        "small.yaml:27:34: instruments.contact.options.careful: options `quick` and `careful` "
        "exclude each other."
    )


@pytest.mark.parametrize(
    "address",
    ["TCPIP::INSTR", "FOO::1::INSTR", "USB::1::2::INSTR", "PXI::1::INSTR", "TCPIP::a::b::c::INSTR"],
)
def test_an_address_that_no_transport_takes_is_refused_at_its_line(
    bench_text: str, address: str
) -> None:
    text = bench_text.replace("TCPIP::127.0.0.1::5001::SOCKET", address)
    assert refusal(text).startswith(
        "small.yaml:8:14: instruments.generator.address: Could not parse"
    )


def test_commands_that_no_procedure_sends_may_be_removed(bench_text: str) -> None:
    text = bench_text.replace(
        "driver: scpi-source", "driver: scpi-source\n    commands: {set_frequency: null}"
    ).replace(
        "driver: scpi-analyzer",
        "driver: scpi-analyzer\n    commands: {point: null, trigger: null, abort: null}",
    )
    parse_bench(text)


SWEEP = """
recipe: one
title: One
sweeps:
  main: {method: METHOD, centre: 1.7 GHz, span: 200 MHz, points: 11, level: -10 dBm,
    resolution_bandwidth: 10 kHz, detector: rms, MORE}
steps:
  - capture: {name: open, role: open, route: middle, position: open, sweep: main}
"""
STEPPED = SWEEP.replace("METHOD", "stepped").replace("MORE", "dwell: 2 ms")
HOLD = SWEEP.replace("METHOD", "hold").replace("detector: rms, MORE", "for: 5 s")


def test_what_only_one_method_needs_is_asked_for_with_that_method(bench_text: str) -> None:
    traces = "commands: {fetch_trace: null, single_sweep: null}"
    text = bench_text.replace("driver: scpi-analyzer", f"driver: scpi-analyzer\n    {traces}")
    bench = parse_bench(text)
    resolve(load_recipe(STEPPED, file="r.yaml"), bench, {})
    with pytest.raises(RecipeError, match="a hold sweep is done with `fetch_trace` of analyzer"):
        resolve(load_recipe(HOLD, file="r.yaml"), bench, {})
    centre = bench_text.replace(
        "driver: scpi-analyzer", "driver: scpi-analyzer\n    commands: {set_centre: null}"
    )
    resolve(load_recipe(HOLD, file="r.yaml"), parse_bench(centre), {})
    with pytest.raises(RecipeError, match="a stepped sweep is done with `set_centre` of analyzer"):
        resolve(load_recipe(STEPPED, file="r.yaml"), parse_bench(centre), {})


def test_a_method_that_the_driver_does_not_know_is_refused_by_check(bench_text: str) -> None:
    bench = parse_bench(bench_text.replace("driver: scpi-source", "driver: nofreerun"))
    resolve(load_recipe(STEPPED, file="r.yaml"), bench, {})
    with pytest.raises(
        RecipeError,
        match='a hold sweep needs what the driver "nofreerun" of generator lacks: `free_run`',
    ):
        resolve(load_recipe(HOLD, file="r.yaml"), bench, {})
