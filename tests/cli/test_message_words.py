"""A subscriber's messages in a few words."""

from __future__ import annotations

import json

import pytest

from benchd.cli.demo import first_of_each_kind
from benchd.cli.message_words import message_words

RESULT = {
    "schema": "benchd.result/1", "quantity": "return_loss", "value": 12.18250037584945,
    "unit": "dB", "low": 11.200604701696033, "high": 13.233448679528099,
}  # fmt: skip


@pytest.mark.parametrize(
    ("message", "words"),
    [
        ({"schema": "benchd.presence/1", "state": "online"}, "online"),
        ({"schema": "benchd.job/1", "state": "needs-hands", "message": ""}, "needs-hands"),
        ({"schema": "benchd.rf/1", "state": "off-verified"}, "off-verified"),
        ({"schema": "benchd.epoch/1", "epoch": "epoch-1", "sequence": 41}, "epoch-1, up to 41"),
        (RESULT, "return_loss 12.2 dB ± 1.0 dB"),
        (
            {**RESULT, "quantity": "trim_per_arm", "value": 0.001171, "unit": "m", "low": None,
             "high": None},
            "trim_per_arm 1.171 mm",
        ),
        ({**RESULT, "quantity": "vswr", "unit": "1", "high": None}, "vswr 12.18, at least 11.20"),
        (
            {"schema": "benchd.latest/1", "results": [RESULT, {**RESULT, "quantity": "x"}]},
            "return_loss 12.2 dB ± 1.0 dB; x 12.2 dB ± 1.0 dB",
        ),
        (
            {"schema": "benchd.verdict/1", "quantity": "vswr", "limit": "at most 2",
             "outcome": "pass-marginal"},
            "vswr at most 2: pass-marginal",
        ),
    ],
)  # fmt: skip
def test_each_kind_of_message_is_told_by_what_is_new_in_it(
    message: dict[str, object], words: str
) -> None:
    assert message_words(json.dumps(message)) == words


@pytest.mark.parametrize("text", ["no JSON", "[1, 2]", '{"schema": "other/1"}', "x" * 200])
def test_what_is_not_known_is_shown_as_it_came(text: str) -> None:
    assert message_words(text) == text[:90]


def test_a_demo_shows_one_topic_of_each_antennas_quantities() -> None:
    topics = [
        "benchd/workshop/presence",
        "benchd/workshop/latest/dipole r3/return_loss",
        "benchd/workshop/reading/dipole r3/return_loss/dB",
        "benchd/workshop/latest/dipole r3/vswr",
        "benchd/workshop/reading/dipole r3/vswr/1",
        "benchd/workshop/latest/yagi r2/realised_gain",
        "benchd/workshop/job/job-1",
        "benchd/workshop/job/job-2",
    ]
    assert first_of_each_kind(topics) == {
        "benchd/workshop/presence": 0,
        "benchd/workshop/latest/dipole r3/return_loss": 1,
        "benchd/workshop/reading/dipole r3/return_loss/dB": 1,
        "benchd/workshop/latest/yagi r2/realised_gain": 0,
        "benchd/workshop/job/job-1": 0,
        "benchd/workshop/job/job-2": 0,
    }
