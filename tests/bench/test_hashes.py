"""Hashes say what was stated: a later benchd that knows more keys orphans no stored baseline.

`hashes.json` holds the hashes of the shipped benches as version 0.1.0 made them before this was a
rule. Whoever changes a shipped bench file changes its hashes, and writes the new ones there.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from pydantic import Field

from benchd.bench import load_bench, parse_bench
from benchd.bench.antennas import Antenna
from benchd.bench.box import Box
from benchd.bench.fixtures import PassiveFixture
from benchd.bench.hash_form import digest, stated
from benchd.files.fields import PositiveRatio

HASHES: dict[str, Any] = json.loads((Path(__file__).parent / "hashes.json").read_text())
BENCHES = Path(__file__).parents[2] / "recipes" / "benches"


@pytest.mark.parametrize("name", sorted(HASHES))
def test_shipped_benches_keep_the_hashes_that_they_have_always_had(name: str) -> None:
    bench = load_bench(BENCHES / name)
    found = {
        "bench": bench.hash,
        "routes": {route: bench.route_fixtures(route) for route in bench.routes},
    }
    assert found == HASHES[name]


class LaterFixture(PassiveFixture):
    """A fixture as a later benchd may know it."""

    ageing_db: PositiveRatio | None = Field(None, alias="ageing", description="loss per year")


class LaterBox(Box):
    """A box as a later benchd may know it."""

    lining: str = Field("foam", description="what its walls are lined with")


class LaterAntenna(Antenna):
    """An antenna as a later benchd may know it."""

    notes: list[str] = Field(default_factory=list, description="several notes")


LATER: list[tuple[type[Any], type[Any], dict[str, Any], dict[str, Any]]] = [
    (PassiveFixture, LaterFixture, {"kind": "cable", "loss": "0.2 dB"}, {"ageing": "0.1 dB"}),
    (Box, LaterBox, {"inside": ["60 cm", "40 cm", "40 cm"]}, {"lining": "wool"}),
    (
        Antenna,
        LaterAntenna,
        {"design_frequency": "868 MHz", "largest_dimension": "165 mm"},
        {"notes": ["bent"]},
    ),
]


@pytest.mark.parametrize(
    ("known", "later", "data", "more"), LATER, ids=[one[0].__name__ for one in LATER]
)
def test_a_key_that_a_later_version_knows_changes_the_hash_only_where_it_is_stated(
    known: Any, later: Any, data: dict[str, Any], more: dict[str, Any]
) -> None:
    before = digest(stated(known.model_validate(data)))
    assert digest(stated(later.model_validate(data))) == before
    assert digest(stated(later.model_validate({**data, **more}))) != before


def test_a_default_that_is_written_out_says_nothing_more() -> None:
    data = {"inside": ["60 cm", "40 cm", "40 cm"], "lining": "foam"}
    del_lining = {key: value for key, value in data.items() if key != "lining"}
    assert stated(LaterBox.model_validate(data)) == stated(LaterBox.model_validate(del_lining))


def test_what_is_stated_otherwise_is_another_hash() -> None:
    text = (BENCHES / "workshop.yaml").read_text()
    bench = parse_bench(text)
    note = text.replace("fixtures:\n", "fixtures:\n  spare: {kind: cable, loss: 1 dB}\n", 1)
    assert parse_bench(note).hash != bench.hash
    assert parse_bench(note).route_fixtures("middle") == bench.route_fixtures("middle")
