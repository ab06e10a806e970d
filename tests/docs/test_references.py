"""The reference is what the models say, to the letter."""

from __future__ import annotations

import pytest

from tests.docs.references import FOLDER, written


@pytest.mark.parametrize("name", sorted(written()))
def test_the_reference_is_what_the_models_say(name: str) -> None:
    found = (FOLDER / name).read_text(encoding="utf-8")
    assert found == written()[name], "write it again: python -m tests.docs.references"


def test_nothing_else_stands_among_the_references() -> None:
    assert {path.name for path in FOLDER.iterdir()} == set(written())
