"""What a bench file states, in the form that hashes are made from.

A stored baseline fits a later capture only where the hashes of the parts between them agree. So a
hash must not change because a later benchd knows one more optional key: what nobody stated is
left out of it.

Hashes of earlier versions were made with all keys of their time, stated or not. Those keys stand
in `ALWAYS` and stay in the hash, so that captures taken then still fit.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Mapping
from typing import Any

from pydantic import BaseModel

ALWAYS: Mapping[str, str] = {
    "AmplifierFixture": (
        "largest_power_dbm match_db repeatability_db reflection_repeatability_db note kind gain_db"
    ),
    "AnalyzerInstrument": (
        "driver address identity timeout_s settle_s commands options replies kind frequency_hz "
        "largest_input_dbm resolution_bandwidth_hz linearity_db noise_figure_db match_db drift "
        "frequency_accuracy_ppm tracking_level_dbm level_accuracy_db"
    ),
    "Antenna": (
        "revision design_frequency_hz largest_dimension_m phase_centre_m least_return_loss_db "
        "trim coupling reference note"
    ),
    "Band": ("least most"),
    "BenchFile": ("bench title timezone instruments fixtures box antennas routes"),
    "Box": (
        "inside_m range_length_m range_tolerance_m gain_spread_db gain_spread_of "
        "gain_spread_positions path_spread_db path_spread_of path_spread_positions "
        "reflectivity_db echo_db polarisation_tolerance_deg finite_range_db lid shielded"
    ),
    "CouplerFixture": (
        "largest_power_dbm match_db repeatability_db reflection_repeatability_db note kind "
        "loss_db coupling_db directivity_db source_match_db"
    ),
    "Drift": ("change_db within_s per_kelvin_db"),
    "Lid": ("instrument"),
    "LidInstrument": ("driver address identity timeout_s settle_s commands options replies kind"),
    "PassiveFixture": (
        "largest_power_dbm match_db repeatability_db reflection_repeatability_db note kind "
        "loss_db delay_s"
    ),
    "ReferenceData": (
        "gain_dbi gain_is uncertainty_db coverage_factor return_loss_db "
        "return_loss_uncertainty_db traceability"
    ),
    "Route": ("kind source out port far_port range_antenna back analyzer switch positions"),
    "SourceInstrument": (
        "driver address identity timeout_s settle_s commands options replies kind frequency_hz "
        "level_dbm level_accuracy_db match_db frequency_accuracy_ppm drift"
    ),
    "SwitchInstrument": (
        "driver address identity timeout_s settle_s commands options replies kind banks "
        "largest_power_dbm loss_db repeatability_db match_db"
    ),
    "Table": ("frequency_hz values"),
    "ThermometerInstrument": (
        "driver address identity timeout_s settle_s commands options replies kind"
    ),
    "Trim": ("arm_m arms arm_uncertainty_m diameter_m scaling_error_ppm"),
}
"""Model -> keys (with blanks between) that are hashed, stated or not. Closed: add none."""

ADDED_TO_BOX = ("gain_spread_of", "path_spread_db", "path_spread_of", "path_spread_positions")
"""Keys that the hash of the box in a route leaves out where they are not stated, though the hash
of the whole bench has them: they came before this module."""


def stated(value: Any) -> Any:
    """A model (or a part of one) as plain JSON values, without what was left at its default.

    Keys in `ALWAYS` are kept in any case. A default that is written out counts as not stated: it
    says the same.
    """
    if isinstance(value, BaseModel):
        return _of_model(value)
    if isinstance(value, Mapping):
        return {key: stated(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [stated(one) for one in value]
    return value


def _of_model(model: BaseModel) -> dict[str, Any]:
    always = _always(type(model))
    found = {}
    for name, field in type(model).model_fields.items():
        value = getattr(model, name)
        if name in always or field.is_required() or value != _default(field):
            found[name] = stated(value)
    return found


def _default(field: Any) -> Any:
    return field.get_default(call_default_factory=True)


def _always(model: type[BaseModel]) -> Collection[str]:
    """The keys of `ALWAYS` for a model, or for the nearest model that it extends."""
    for one in model.__mro__:
        if one.__name__ in ALWAYS:
            return ALWAYS[one.__name__].split()
    return ()


def digest(content: Any) -> str:
    """SHA-256 (hexadecimal) over the canonical JSON form of plain values."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()
