"""Kinds of reduction by name, and worksheets whose kinds are not all there."""

from __future__ import annotations

from importlib.metadata import EntryPoint

import pytest

from benchd.reductions import broken, kinds, registry, worksheet_from
from benchd.worksheet import SETTINGS_MODELS, UnknownSettings

DOCUMENT = {
    "schema_version": 1, "recipe": "r", "title": "R", "recipe_hash": "a", "bench": "b",
    "bench_hash": "c", "parameters": {}, "on_interrupt": "resume", "cautions": [],
    "steps": [{
        "kind": "reduce", "index": 0, "label": "reduce it", "line": 0, "bindings": {},
        "expected_s": 0.0, "cautions": [], "reduction": "gain", "name": "it",
        "captures": {
            "test": "a 1", "test_2": "a 2", "reference": "b 1", "reference_2": "b 2",
        },
        "baseline": {}, "max_age_s": 3600.0, "interpolate": True,
        "options": {
            "method": "substitution", "match": "newest", "at_hz": [], "follow_drift": False,
            "band_hz": [1.6e9, 1.8e9], "antenna": "a", "reference_antenna": "b", "travel_m": 0.1,
        },
    }],
}  # fmt: skip
"""As worksheets were written before settings had types."""


def test_every_kind_is_there_with_the_model_of_its_settings() -> None:
    assert {name: kind.settings for name, kind in kinds().items()} == SETTINGS_MODELS
    assert "reflection" in kinds()


def test_a_worksheet_of_the_first_form_is_read_with_types_and_keeps_its_digest() -> None:
    found = worksheet_from(DOCUMENT)
    (step,) = found.steps
    assert step.settings.model_dump() == {
        "kind": "gain", "name": None, "method": "substitution",
        "test": ["a 1", "a 2"], "reference": ["b 1", "b 2"], "thru": None, "range_antenna": None,
        "follow_drift": False, "travel_m": 0.1, "at_hz": None,
        "band_hz": {"least": 1.6e9, "most": 1.8e9}, "match": "newest", "max_age_s": 3600.0,
        "interpolate": True,
    }  # fmt: skip
    today = found.model_dump(mode="json")
    assert today["schema_version"] == 2
    again = worksheet_from(today)
    assert again.steps == found.steps
    assert again.digest != found.digest == worksheet_from(DOCUMENT).digest


@pytest.mark.parametrize("form", [1, 2])
def test_settings_of_a_kind_that_is_gone_are_kept_as_they_are(form: int) -> None:
    document = {**DOCUMENT, "steps": [{**DOCUMENT["steps"][0], "reduction": "spin"}]}
    if form == 2:
        document = worksheet_from(document).model_dump(mode="json")
    (step,) = worksheet_from(document).steps
    assert isinstance(step.settings, UnknownSettings)
    assert (step.settings.kind, step.settings.travel_m) == ("spin", 0.1)
    assert step.needed_captures == frozenset()


def test_a_package_that_takes_a_name_of_ours_changes_nothing_and_is_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    entry = EntryPoint("gain", "a_package_that_is_missing", registry.GROUP)
    monkeypatch.setattr(registry, "entry_points", lambda group: [entry])
    monkeypatch.setattr(registry, "_BROKEN", {})
    ours = kinds()
    registry.enter_foreign()
    assert kinds() == ours
    assert broken() == {
        "gain": 'the reduction "gain" (a_package_that_is_missing) cannot be loaded: '
        "No module named 'a_package_that_is_missing'"
    }
