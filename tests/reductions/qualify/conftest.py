"""Fixtures: a notebook of captures on the good box's bench."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from benchd.bench import load_bench
from tests.reductions.captures import Notebook

BENCH = Path(__file__).parents[3] / "recipes" / "benches" / "good-box.yaml"


@pytest.fixture
def notebook(tmp_path: Path) -> Iterator[Notebook]:
    book = Notebook(tmp_path, load_bench(BENCH))
    yield book
    book.close()
