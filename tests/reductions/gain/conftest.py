"""A notebook for each test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.reductions.captures import Notebook


@pytest.fixture
def notebook(tmp_path: Path) -> Iterator[Notebook]:
    """An empty store beside the workshop's bench."""
    opened = Notebook(tmp_path)
    yield opened
    opened.close()
