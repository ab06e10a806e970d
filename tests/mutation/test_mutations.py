"""A wrong sign or factor in a formula makes its test fail; without it the test passes."""

import re
from pathlib import Path

import pytest

from tests.mutation.mutations import (
    FAILED,
    MUTATIONS,
    PASSED,
    Mutation,
    copy_of_tree,
    run_tests,
    tried,
)


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One copy of the tree, on which every test file named passes."""
    copy = copy_of_tree(tmp_path_factory.mktemp("mutation").resolve())
    for file in {mutation.noticed_by for mutation in MUTATIONS}:
        outcome = run_tests(copy, file)
        assert outcome.returncode == PASSED, outcome.stdout + outcome.stderr
    return copy


@pytest.mark.parametrize("mutation", MUTATIONS, ids=lambda one: one.name)
def test_a_wrong_formula_makes_its_test_fail(mutation: Mutation, tree: Path) -> None:
    outcome = tried(mutation, tree)
    assert outcome.returncode == FAILED, outcome.stdout + outcome.stderr
    # A failed comparison, not a broken import.
    assert re.search(r"\b1 failed\b", outcome.stdout), outcome.stdout
    assert "error" not in outcome.stdout.splitlines()[-1]


def test_the_mutations_are_ten_or_more_different_formulas() -> None:
    assert len({(one.file, one.right) for one in MUTATIONS}) == len(MUTATIONS) >= 10
