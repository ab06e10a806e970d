"""Switching RF off, verifying it, and not giving up on a source that does not do it.

Every method blocks and is called on the bench thread, as those of the rig are. Several sources are
switched off by one thread each while the bench thread waits, so that none waits for another.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Protocol

import structlog

from benchd.acquire import Probe, quiet, rf_off_verified
from benchd.acquire.plan import Procedure
from benchd.engine.lying_sources import Doubt, LyingSources
from benchd.engine.rfwatch import RfWatch
from benchd.engine.small_procedures import fault, insisting, other_ways_off, sent
from benchd.errors import BenchdError, Garbled, LinkLost, StillRadiating
from benchd.worksheet import SwitchSetting
from drivers.link import Link

_log = structlog.get_logger(__name__)

AGAIN_S = 0.1
"""Time between two attempts to switch one source off while another is still tried, s."""


class Sessions(Protocol):
    """What the rig does for switching off: its links, and exchanges over them."""

    @property
    def drivers(self) -> Mapping[str, Any]:
        """Drivers by the names of their instruments."""

    @property
    def links(self) -> Mapping[str, Link]:
        """Links that were opened, by the names of their instruments."""

    @property
    def standing(self) -> Iterable[SwitchSetting]:
        """How the switches were set last."""

    def radiating(self) -> list[str]:
        """Names of instruments with an RF output."""

    def connect(self, names: Iterable[str]) -> None:
        """Open what is not open, with OFF first. Raises LinkLost and others."""

    def play_off(self, procedure: Procedure[None]) -> None:
        """Run a procedure that a stop does not end, since it switches off."""

    def switch(self, settings: Iterable[SwitchSetting]) -> None:
        """Close channels and ask whether they are closed."""

    def opened(self, settings: Iterable[SwitchSetting]) -> dict[str, list[int]]:
        """Switch -> channels that should be closed and are not."""

    def disturb(self, names: Iterable[str]) -> None:
        """The state of these is unknown; their next use resets them."""


class SwitchingOff:
    """The RF outputs of one bench: which of them may be on, and how they are switched off.

    not_off: names of those that may have been on and have not confirmed OFF since.
    doubted: those that once answered "off" while they radiated. rf: whether RF is off, told to
    whoever asks.
    """

    def __init__(self, sessions: Sessions, rf: RfWatch) -> None:
        self._sessions = sessions
        self._rf = rf
        self.doubted = LyingSources()
        self.not_off: set[str] = set(sessions.radiating())

    def all_off(self) -> None:
        """Switch every RF output off, and verify it by query.

        Each output is tried, whatever goes wrong with the others. One that failed is tried again
        until the first attempt of every other has ended. Raises LinkLost or InstrumentRefused; if
        several outputs fail, the first error.
        """
        names = self._sessions.radiating()
        problems: dict[str, BenchdError | None] = {}
        if len(names) == 1:
            problems[names[0]] = self._tried(self._one_off, names[0])
        else:
            self._off_together(names, problems)
        for name in names:
            if problems[name] is None:
                problems[name] = self._tried(self._look_again, name)
        found = {name: problem for name, problem in problems.items() if problem is not None}
        if found:
            self._rf.not_verified(found, "; ".join(str(error) for error in found.values()))
            raise next(found[name] for name in names if name in found)
        self._rf.off_verified(names)

    def _off_together(self, names: list[str], problems: dict[str, BenchdError | None]) -> None:
        """Switch these off, each by a thread of its own; no other uses the links meanwhile."""

        def until_all_are_tried(name: str) -> None:
            while True:
                problems[name] = self._tried(self._one_off, name)
                if problems[name] is None or len(problems) == len(names):
                    return
                time.sleep(AGAIN_S)

        threads = [
            threading.Thread(target=until_all_are_tried, args=(name,), name=f"rf-off-{name}")
            for name in names
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()

    def _tried(self, switch_off: Callable[[str], None], name: str) -> BenchdError | None:
        """Switch one output off and verify it; returns the error, or None."""
        try:
            switch_off(name)
        except BenchdError as error:
            self.not_off.add(name)
            return error
        except Exception as error:
            self.not_off.add(name)
            _log.exception("a fault in benchd or a driver kept rf on", instrument=name)
            return fault(name, error)
        self.not_off.discard(name)
        return None

    def _one_off(self, name: str) -> None:
        """Switch one output off and verify it.

        If the link turns out to be dead, it is opened again and OFF is repeated, once: instruments
        close idle connections, and OFF does no harm when it is sent twice.
        """
        try:
            self._sessions.connect([name])
            self._verify_off(name)
        except (LinkLost, Garbled):
            self._sessions.connect([name])
            self._verify_off(name)

    def _verify_off(self, name: str) -> None:
        with insisting(self._sessions.links.get(name)):
            self._sessions.play_off(rf_off_verified([self._sessions.drivers[name]]))

    def _look_again(self, name: str) -> None:
        """For a source that once reported "off" while it radiated: measure that it is off now."""
        doubt = self.doubted.of(name)
        if doubt is None:
            return
        probe, settings = doubt.probe, doubt.settings
        if not self.doubted.is_due(name):
            raise StillRadiating(
                "said that RF is off while it radiated, and has not been seen to be off since",
                where=name,
                advice="Switch it off by hand, at its output or its mains.",
                probe=probe,
            )
        names = [name, str(probe.instruments.analyzer.name)]
        self._sessions.connect([*names, *(setting.instrument for setting in settings)])
        if self._sessions.opened(settings):
            # If a switch has opened the path, a source that is on would seem to be off.
            self._sessions.switch(settings)
        self._sessions.play_off(quiet(probe))
        self._sessions.disturb(names)
        self.doubted.clear(name)

    def by_every_means(self, error: StillRadiating) -> None:
        """Try other ways to end radiation: the lowest level, output off once more, and a reset.

        The source counts as on until a later `all_off` has measured that it is off.
        """
        name = error.where
        self._rf.not_verified([name], str(error))
        self.not_off.add(name)
        if not isinstance(error.probe, Probe):
            return
        self.doubted.add(name, Doubt(error.probe, tuple(self._sessions.standing)))
        for what, batch in other_ways_off(self._sessions.drivers[name], error.probe.lowest_dbm):
            try:
                self._sessions.connect([name])
                self._sessions.play_off(sent(batch))
            except BenchdError as trouble:
                _log.error("rf off by another way failed", way=what, error=str(trouble))
