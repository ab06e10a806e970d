"""Files outside the database that hold the highest number of the published events: marks.

A database that was restored from a backup does not know what was published after the backup. So the
highest published number is also kept in a file beside the database, and in another in the state
folder, which stays as it is when the data folder is restored. A third place is a broker that keeps
retained messages (topic `epoch`).
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from urllib.parse import quote

import structlog

from benchd.statefolder import state_folder
from benchd.store import Epoch, Mark

log = structlog.get_logger(__name__)

KEPT_MARKS = 1000
"""Files in the state folder, one for each database and its copies; the oldest are taken away."""


class PublishedNumbers:
    """The marks of one bench. Reads and writes files.

    database: the SQLite file; None for a database that is no file of this computer.
    """

    def __init__(self, database: Path | None, bench: str) -> None:
        self._beside: Path | None = None
        if database is not None:
            name = f"{database.name}.{quote(bench, safe=' ')}.published"
            self._beside = database.with_name(name)
        self._state = state_folder() / "epochs"
        self._told: set[str] = set()

    def _places(self, known: Sequence[Epoch]) -> list[Path]:
        # All copies of a database have the same first epoch, and so use the same file.
        state = self._state / f"{quote(known[0].epoch, safe='')}.json"
        return [state] if self._beside is None else [state, self._beside]

    def read(self, known: Sequence[Epoch]) -> list[Mark]:
        """Which epoch published last, and how far. known: all epochs of the database.

        A mark that does not exist or cannot be read is left out.
        """
        found = [self._read(place) for place in self._places(known)]
        return [mark for mark in found if mark is not None]

    @staticmethod
    def _read(place: Path) -> Mark | None:
        try:
            match json.loads(place.read_text(encoding="utf-8")):
                case {"epoch": str(epoch), "sequence": int(sequence)}:
                    return Mark(epoch, sequence, str(place))
        except (OSError, ValueError):
            pass
        return None

    def write(self, known: Sequence[Epoch]) -> None:
        """Write how far the newest epoch was published. If writing fails, that is logged once."""
        text = json.dumps({"epoch": known[-1].epoch, "sequence": known[-1].handed})
        for place in self._places(known):
            self._write(place, text)

    def _write(self, place: Path, text: str) -> None:
        try:
            is_new = not place.exists()
            _replace(place, text)
            if is_new and place.parent == self._state:
                self._tidy()
        except OSError as error:
            if str(place.parent) not in self._told:
                self._told.add(str(place.parent))
                log.warning(
                    "no mark of what was published can be kept here; a database that comes back "
                    "from a backup may go unnoticed",
                    folder=str(place.parent),
                    error=str(error),
                    advice="Let benchd write there, or name another folder in BENCHD_STATE.",
                )

    def _tidy(self) -> None:
        """Delete the oldest files. Another daemon may do the same at the same time."""
        files = []
        for file in self._state.glob("*.json"):
            with suppress(OSError):
                files.append((file.stat().st_mtime, file))
        for _, file in sorted(files)[:-KEPT_MARKS]:
            with suppress(OSError):
                file.unlink()


def _replace(place: Path, text: str) -> None:
    """Write a whole file in place of the old one. Raises OSError.

    It does not wait for the disk: if a power cut destroys a mark, that does no harm, and the next
    batch of events writes it again.
    """
    place.parent.mkdir(parents=True, exist_ok=True)
    part = place.with_name(f".{place.name}.{os.getpid()}")
    try:
        part.write_text(text, encoding="utf-8")
        os.replace(part, place)
    except BaseException:
        with suppress(OSError):
            part.unlink()
        raise
