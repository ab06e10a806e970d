"""Sources that once said "off" and radiated: not believed again until they are seen to be off.

They are written down in the data folder, so that a daemon that starts again does not take the
word of a source that has lied. An entry is gone as soon as the analyzer has seen the source off.
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
from benchd.acquire.silence import Probe
from benchd.worksheet import SweepPlan, SwitchSetting

_log = structlog.get_logger(__name__)

FILE_NAME = "doubted-sources.json"
MOST_BYTES = 1 << 20

LOOK_AGAIN_S = 2.0
"""Between two looks at a source that said "off" and radiated: each lets it be strong enough to be
seen, if it still is on."""

_SIZES = ("frequency_hz", "level_dbm", "seen_dbm", "drop_db", "lowest_dbm")


@dataclass(frozen=True, slots=True)
class Doubt:
    """How to look at a source, and the path that must be closed for it."""

    probe: Probe
    settings: tuple[SwitchSetting, ...]


class Doubted:
    """The doubted sources of one bench. Used on the bench thread only."""

    def __init__(self) -> None:
        self._doubts: dict[str, Doubt] = {}
        self._look_after: dict[str, float] = {}
        self._file: Path | None = None

    @property
    def names(self) -> list[str]:
        """The sources that must be seen to be off."""
        return list(self._doubts)

    def of(self, name: str) -> Doubt | None:
        """The doubt about a source, if there is one."""
        return self._doubts.get(name)

    def add(self, name: str, doubt: Doubt) -> None:
        """From now on the source must be seen to be off."""
        self._doubts[name] = doubt
        self._keep()

    def clear(self, name: str) -> None:
        """The source was seen to be off."""
        if self._doubts.pop(name, None) is not None:
            self._keep()

    def is_due(self, name: str) -> bool:
        """Whether it is time for another look; if so, the next one is due a little later."""
        now = time.monotonic()
        if now < self._look_after.get(name, now):
            return False
        self._look_after[name] = now + LOOK_AGAIN_S
        return True

    def remember(self, folder: Path, drivers: Mapping[str, Any]) -> None:
        """Keep the doubts in this folder, and take up those that an earlier daemon left there.

        A doubt about instruments that the bench file has no more is told in the log and dropped:
        nothing of this bench can be switched on by it.
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
        """Write the list, whole or not at all. A disk that refuses it costs the list alone."""
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
    """Raises KeyError, TypeError or ValueError for what does not fit this bench."""
    settings = tuple(SwitchSetting.model_validate(one) for one in entry["switching"])
    for setting in settings:
        drivers[setting.instrument]
    source = None if entry["source"] is None else drivers[entry["source"]]
    instruments = SweepInstruments(analyzer=drivers[entry["analyzer"]], source=source)
    sizes = {size: float(entry[size]) for size in _SIZES}
    return Doubt(Probe(SweepPlan.model_validate(entry["plan"]), instruments, **sizes), settings)
