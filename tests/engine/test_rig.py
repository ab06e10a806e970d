"""The rig's duty to switch RF off, whatever fails beside it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchd.bench import load_bench
from benchd.engine.rig import Rig
from benchd.errors import InstrumentRefused, LinkLost

ROOT = Path(__file__).resolve().parents[2]


class TwoSources(Rig):
    """Two sources; what is asked of each is noted, and fails as often as `failures` says."""

    def __init__(self, failures: dict[str, list[Exception]]) -> None:
        bench = load_bench(ROOT / "recipes" / "benches" / "workshop.yaml")
        first = bench.instruments["generator"]
        super().__init__(
            bench.model_copy(update={"instruments": {"first": first, "second": first}})
        )
        self.failures = failures
        self.connected: list[str] = []
        self.switched_off: list[str] = []

    def connect(self, names: Any = None) -> None:
        self.connected += names

    def _play(self, procedure: Any, links: Any, **_: Any) -> Any:
        name = next(procedure)[0].instrument
        procedure.close()
        if self.failures.get(name):
            raise self.failures[name].pop(0)
        self.switched_off.append(name)


def test_every_source_is_switched_off_though_the_driver_of_another_fails() -> None:
    # Again and again: it is tried until the other has been tried, too.
    rig = TwoSources({"first": [KeyError("level")] * 10_000})
    with pytest.raises(
        InstrumentRefused, match=r"first: RF off could not be verified: KeyError: 'level'"
    ):
        rig.rf_off()
    assert rig.switched_off == ["second"]


def test_a_link_that_turns_out_dead_is_opened_again_once_to_switch_rf_off() -> None:
    rig = TwoSources({"first": [LinkLost("hung up", where="first")]})
    rig.rf_off()
    # Each has a thread of its own, so which comes first is open.
    assert sorted(rig.switched_off) == ["first", "second"]
    assert sorted(rig.connected) == ["first", "first", "second"]


def test_a_source_that_stays_lost_is_told_and_the_other_is_off() -> None:
    rig = TwoSources({"first": [LinkLost("hung up", where="first")] * 10_000})
    with pytest.raises(LinkLost, match="first: hung up"):
        rig.rf_off()
    assert rig.switched_off == ["second"]
