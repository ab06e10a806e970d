"""A store in a temporary folder, and small but complete things to put into it."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from benchd.store import Store


class SteppingClock:
    """Every reading is one second after the one before."""

    def __init__(self) -> None:
        self.now = datetime(2026, 3, 1, 20, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return tmp_path / "data" / "bench.db"


@pytest.fixture
def store(place: Path) -> Iterator[Store]:
    with Store.open(place, clock=SteppingClock()) as opened:
        yield opened
