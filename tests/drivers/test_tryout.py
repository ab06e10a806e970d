"""What may be tried on an instrument: nothing that radiates or moves, and nothing unknown."""

from __future__ import annotations

from typing import Any

import pytest

from drivers.lists import ListStepping
from drivers.registry import driver_names, find_driver
from drivers.source import ScpiSource
from drivers.tryout import NOT_TRIED, attempts

VALUES: dict[str, Any] = {
    "frequency_hz": 1e9, "centre_hz": 1e9, "span_hz": 0.0, "start_hz": 1e9, "stop_hz": 2e9,
    "points": 11, "dwell_s": 0.01, "level_dbm": -60.0, "resolution_bandwidth_hz": 1e4,
    "video_bandwidth_hz": 1e4, "sweep_time_s": 0.01, "detector": "RMS", "attenuation_db": 10.0,
    "reference_level_dbm": 0.0, "readings": 1, "channels": "101",
    "frequencies_hz": (1e9, 1.5e9, 2e9), "delay_s": 0.0,
}  # fmt: skip


@pytest.mark.parametrize("name", driver_names())
def test_each_command_of_each_driver_is_tried_once_or_says_why_not(name: str) -> None:
    has_lists = issubclass(find_driver(name), ListStepping)
    driver = find_driver(name)("it", {}, {"list": True} if has_lists else {})
    found = attempts(driver, VALUES)
    commands = [one.command for one in found]
    assert sorted(commands) == sorted({**type(driver)._common, **driver.templates})
    for one in found:
        assert (one.exchange is None) == bool(one.why_not)
        assert one.exchange is None or not one.exchange.radiates
    left = {one.command for one in found if one.exchange is None}
    assert left <= {*NOT_TRIED, "fetch_trace"}
    off = [command for command in ("rf_off", "tracking_off") if command in commands]
    assert commands[: len(off)] == off


def test_commands_of_lists_are_tried_only_where_the_bench_file_says_that_there_are_lists() -> None:
    tried = [one.command for one in attempts(find_driver("scpi-analyzer")("it"), VALUES)]
    assert not [command for command in tried if command.startswith("list_")]


def test_what_only_a_strangers_driver_knows_is_not_tried() -> None:
    class Stranger(ScpiSource):
        templates = {**ScpiSource.templates, "warm_up": ":TUBE ON"}  # noqa: RUF012

    found = {one.command: one for one in attempts(Stranger("it"), VALUES)}
    assert found["warm_up"].exchange is None
    assert found["warm_up"].why_not == "nobody here knows whether it is harmless"
    assert found["set_level"].exchange is not None


def test_without_a_safe_value_nothing_is_sent() -> None:
    found = {one.command: one for one in attempts(ScpiSource("it"), {})}
    assert found["set_level"].why_not == "no safe value is known for level_dbm"
    assert found["rf_off"].exchange is not None
