"""Sources that reported "off" while they radiated. Their reports are not trusted any more.

Such a source counts as on until the analyzer has measured that it is off. The sources are listed
in a file in the data folder, so that a restarted daemon does not trust them either. An entry is
removed as soon as the analyzer has found the source off.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import structlog

from benchd.acquire.plan import SweepInstruments
from benchd.acquire.radiation_check import Probe
from benchd.sweeps import SweepPlan
from benchd.worksheet import SwitchSetting

_log = structlog.get_logger(__name__)

FILE_NAME = "doubted-sources.json"
MOST_BYTES = 1 << 20

LOOK_AGAIN_S = 2.0
"""Time between two checks of a doubted source, s. For a check its level is set just high enough to
be measured if it is still on. So that it does not radiate at that level all the time, checks are
not more frequent."""

_SIZES = ("frequency_hz", "level_dbm", "seen_dbm", "drop_db", "lowest_dbm")


@dataclass(frozen=True, slots=True)
class Doubt:
    """How to measure whether a source is off, and the path that must be switched for it."""

    probe: Probe
    settings: tuple[SwitchSetting, ...]


class LyingSources:
    """The doubted sources of one bench. Used on the bench thread only."""

    def __init__(self) -> None:
        self._doubts: dict[str, Doubt] = {}
        self._look_after: dict[str, float] = {}
        self._file: Path | None = None

    @property
    def names(self) -> list[str]:
        """The names of the doubted sources."""
        return list(self._doubts)

    def of(self, name: str) -> Doubt | None:
        """The entry of a doubted source; None for any other."""
        return self._doubts.get(name)

    def add(self, name: str, doubt: Doubt) -> None:
        """From now on the source counts as on until it is measured to be off."""
        self._doubts[name] = doubt
        self._keep()

    def clear(self, name: str) -> None:
        """The source was measured to be off: trust it again."""
        if self._doubts.pop(name, None) is not None:
            self._keep()

    def is_due(self, name: str) -> bool:
        """Whether it is time for another check; if so, the time of the next one is set."""
        now = time.monotonic()
        if now < self._look_after.get(name, now):
            return False
        self._look_after[name] = now + LOOK_AGAIN_S
        return True

    def remember(self, folder: Path, drivers: Mapping[str, Any]) -> None:
        """Keep the list in this folder, and read the entries that an earlier daemon left there.

        An entry for instruments that the bench file does not name any more is logged and dropped:
        this bench cannot switch them on.
        """
        self._file = folder / FILE_NAME
        for name, entry in self._entries().items():
            try:
                self._doubts[name] = _doubt(entry, drivers)
            except (KeyError, TypeError, ValueError) as error:
                _log.error("a doubted source is not on this bench", source=name, error=repr(error))
            else:
                _log.error("this source said off and radiated: it must be seen off", source=name)

    def _entries(self) -> dict[str, Any]:
        assert self._file is not None
        try:
            descriptor = os.open(self._file, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
            with os.fdopen(descriptor, "rb") as stream:
                found = json.loads(stream.read(MOST_BYTES) or b"{}")
        except FileNotFoundError:
            return {}
        except (OSError, ValueError) as error:
            _log.error("the list of doubted sources cannot be read", error=str(error))
            return {}
        return found if isinstance(found, dict) else {}

    def _keep(self) -> None:
        """Write the list, completely or not at all. If the disk fails, only the list is lost."""
        if self._file is None:
            return
        fresh = self._file.with_suffix(".new")
        text = json.dumps({name: _entry(doubt) for name, doubt in self._doubts.items()})
        try:
            descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
            with os.fdopen(descriptor, "w", encoding="utf-8") as stream:
                stream.write(text)
                stream.flush()
                os.fsync(stream.fileno())
            os.replace(fresh, self._file)
        except OSError as error:
            _log.error("the list of doubted sources cannot be kept", error=str(error))


def _entry(doubt: Doubt) -> dict[str, Any]:
    probe = doubt.probe
    source = probe.instruments.source
    return {
        "plan": probe.plan.model_dump(mode="json"),
        "analyzer": probe.instruments.analyzer.name,
        "source": None if source is None else source.name,
        "switching": [setting.model_dump(mode="json") for setting in doubt.settings],
        **{size: getattr(probe, size) for size in _SIZES},
    }


def _doubt(entry: dict[str, Any], drivers: Mapping[str, Any]) -> Doubt:
    """Read one entry. Raises KeyError, TypeError or ValueError if it does not fit this bench."""
    settings = tuple(SwitchSetting.model_validate(one) for one in entry["switching"])
    for setting in settings:
        drivers[setting.instrument]
    source = None if entry["source"] is None else drivers[entry["source"]]
    instruments = SweepInstruments(analyzer=drivers[entry["analyzer"]], source=source)
    sizes = {size: float(entry[size]) for size in _SIZES}
    return Doubt(Probe(SweepPlan.model_validate(entry["plan"]), instruments, **sizes), settings)
