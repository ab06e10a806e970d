"""The rig: all sessions of one bench, owned by the bench thread.

Every method of `Rig` blocks and is called on the bench thread only (`BenchThread.run`). How RF is
switched off stands in `engine.switching_off`. After a failed exchange a link counts as broken; the
next use closes it, opens it again, switches RF off before anything else and checks the identity.
After a procedure that was broken off the state of its instruments is unknown; the next use resets
them. A command that radiates is never repeated here.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager, nullcontext
from typing import Any, TypeVar

import structlog

from benchd.acquire import confirmed, require_lid, rf_off_verified
from benchd.acquire.plan import Procedure
from benchd.bench import Bench
from benchd.engine.benchchanges import BenchChanges
from benchd.engine.driver_errors import translated
from benchd.engine.hang_detector import Pulse
from benchd.engine.instrumentstate import InstrumentState, state_of
from benchd.engine.lidwatch import LidWatch, contact_of
from benchd.engine.rfwatch import RfWatch
from benchd.engine.roomtemperature import room_temperature
from benchd.engine.small_procedures import (
    asked,
    insisting,
    left_open,
    link_to,
    lists_ended,
    sent,
    switched,
    told_before_rf,
)
from benchd.engine.source_record import SourceRecord, made_drivers, radiating
from benchd.engine.switching_off import SwitchingOff
from benchd.errors import (
    BenchdError,
    Cancelled,
    StillRadiating,
)
from benchd.sweeps import Lid
from benchd.worksheet import SwitchSetting
from drivers.errors import BadReply
from drivers.exchange import Exchange, Reply
from drivers.link import Link
from drivers.player import Player

T = TypeVar("T")
_log = structlog.get_logger(__name__)

AHEAD_S = 1.0
"""For how long switches that were set ahead count as set, s. Storing a capture may take longer, for
example while the disk is full; they are then set and asked again."""
CLOSE_PATIENCE_S = 3.0
"""How long a source may take to confirm OFF once the daemon stops; OFF is written at once."""


class Rig:
    """Links and drivers of one bench.

    record: the record of sources, written before RF first goes on; None if none is to be kept.
    stop: set it from any thread to end the running procedure with `drivers.errors.Stopped`.
    rf: whether RF is off, by the sources' answers. pulse: is counted up in every wait.
    """

    def __init__(self, bench: Bench, record: SourceRecord | None = None) -> None:
        self.bench = bench
        self.record = record
        self.stop = threading.Event()
        self.rf = RfWatch()
        self.pulse = Pulse()
        self.drivers: dict[str, Any] = made_drivers(bench)
        self.links: dict[str, Link] = {}
        self._faults: dict[str, str] = {}
        self._disturbed: set[str] = set()
        self.standing: list[SwitchSetting] = []
        self._switched_ahead_at: float | None = None
        self._off = SwitchingOff(self, self.rf)
        self.doubted = self._off.doubted
        self._measuring = False
        self._closing_at: float | None = None

    # -- links ------------------------------------------------------------------------------

    def connect(self, names: Iterable[str] | None = None) -> None:
        """Open what is not open, check identities, clear status. Raises LinkLost and others."""
        for name in self.bench.instruments if names is None else names:
            self._connect_one(name)

    def try_connect(self) -> None:
        """Connect to all that can be reached, so that a person sees at once which do not answer.
        Each of those takes some seconds, so `stop` ends this early."""
        for name in self.bench.instruments:
            if self.stop.is_set():
                return
            try:
                self._connect_one(name)
            except BenchdError as error:
                _log.warning("instrument does not answer", instrument=name, error=str(error))

    def _connect_one(self, name: str) -> None:
        link = self.links.get(name)
        if link is not None and link.connected and name not in self._disturbed:
            return
        self._switched_ahead_at = None
        instrument = self.bench.instruments[name]
        radiates = name in self.radiating()
        cancel = self._given_up if radiates else self._stopped
        try:
            with translated():
                if link is None:
                    off = self._off_messages(name) if radiates else ()
                    link = link_to(instrument, self.drivers[name], off, cancel)
                    self.links[name] = link
                elif not link.connected:
                    link.reopen(cancel=cancel)
            self._bring_to_rest(name, link)
        except BenchdError as error:
            self._faults[name] = str(error)
            if link is not None:
                link.close()
            raise
        self._disturbed.discard(name)
        self._faults.pop(name, None)

    def _bring_to_rest(self, name: str, link: Link) -> None:
        """Bring an instrument to a known state, whatever it did before; RF off comes first."""
        driver, links = self.drivers[name], {name: link}
        if name not in self.radiating():
            self._play(sent(driver.reset_state()), links)
            return
        with insisting(link):
            self._play(sent(driver.rf_off()), links, cancel=self._given_up)
            self._play(sent(driver.reset_state()), links, cancel=self._given_up)
            self._play(rf_off_verified([driver]), links, cancel=self._given_up)

    def radiating(self) -> list[str]:
        """Names of instruments with an RF output: sources, and analyzers with a tracking output."""
        return radiating(self.bench)

    def _off_messages(self, name: str) -> tuple[str, ...]:
        return tuple(exchange.message for exchange in self.drivers[name].rf_off())

    def _stopped(self) -> bool:
        """Whether to stop waiting for instruments that do not radiate."""
        return self._given_up() or self.stop.is_set()

    def _given_up(self) -> bool:
        """Whether the daemon is stopping and the time for a source to confirm OFF is over.

        It is called in every wait, so it also counts the pulse that shows that the thread is alive.
        """
        self.pulse.beat()
        since = self._closing_at
        return since is not None and time.monotonic() - since >= CLOSE_PATIENCE_S

    def identities(self, names: Iterable[str]) -> dict[str, str]:
        """Identity strings as the instruments returned them."""
        return {name: self.links[name].identity for name in names if name in self.links}

    def states(self) -> list[InstrumentState]:
        """The known state of each instrument; sends nothing to them."""
        return [
            state_of(name, instrument, self.links.get(name), self._faults.get(name, ""))
            for name, instrument in self.bench.instruments.items()
        ]

    def ask(self, name: str) -> None:
        """Ask one instrument for its identity, so that its known state is up to date.

        A lost link is opened again, with RF off first if the instrument radiates. An instrument
        without an identity query is only connected to. Raises LinkLost, Garbled and others.
        """
        question = self.drivers[name].identity_question
        try:
            self.connect([name])
            if question is not None:
                again = sent((Exchange(name, question, Reply.TEXT),))
                self._play(again, self.links, cancel=self._stopped)
        except BenchdError as error:
            self._faults[name] = str(error)
            raise

    def adopt(self, bench: Bench) -> None:
        """Change to another description of the bench, while nothing runs.

        Links of instruments whose description has changed are closed after RF is off. The next use
        opens them again, with OFF as the first message. Raises InstrumentRefused, RecordNotKept,
        and OrderRefused while a source in use has not confirmed OFF; then nothing is changed.
        """
        changes = BenchChanges(self.bench, bench, self.drivers)
        self._rf_off_after_failure()
        changes.require_off(self._off.not_off, used=self.links, doubted=self.doubted.names)
        if self.record is not None:
            self.record = changes.record(self.record, self._off.not_off)
        self.let_go(changes.names)
        self.bench, self.drivers = bench, changes.drivers
        self._off.not_off = (self._off.not_off - changes.names) | (
            changes.names & set(self.radiating())
        )
        self._rf_off_after_failure()

    def disturb(self, names: Iterable[str]) -> None:
        """The state of these instruments is unknown; their next use resets them."""
        self._disturbed.update(names)

    def let_go(self, names: Iterable[str]) -> None:
        """Close links; the next use opens them anew, with OFF first, and resets."""
        self._switched_ahead_at = None
        for name in names:
            link = self.links.pop(name, None)
            self._faults.pop(name, None)
            self._disturbed.discard(name)
            if link is not None:
                link.close()

    def begin_closing(self) -> None:
        """The daemon stops: from now on, wait only a few seconds for a source that does not answer.

        May be called from any thread. OFF is sent to the source all the same.
        """
        self._closing_at = time.monotonic()
        self.stop.set()

    def close(self) -> None:
        """Switch RF off as far as possible, then close every link."""
        self.begin_closing()
        try:
            self.rf_off()
        except BenchdError as error:
            _log.error("RF is NOT verified off: switch the source off by hand", error=str(error))
        for name, link in self.links.items():
            try:
                link.close()
            except Exception as error:
                _log.error("link not closed", instrument=name, error=str(error))
        if self.record is not None:
            self.record.close(verified_off=not self._off.not_off)

    # -- work -------------------------------------------------------------------------------

    def rf_not_verified(self) -> list[str]:
        """Names of RF outputs that may have been on and have not confirmed OFF since.

        Empty while a procedure that may radiate runs normally. May be called from any thread.
        """
        return [] if self._measuring else sorted(self._off.not_off)

    def rf_off(self) -> None:
        """Switch every RF output off, and verify it by query.

        Raises LinkLost or InstrumentRefused, after every output was tried.
        """
        self._off.all_off()

    def set_path(self, settings: Iterable[SwitchSetting]) -> None:
        """Switch RF off, verify it, and close channels; unless `switch_ahead` has just done so."""
        at, self._switched_ahead_at = self._switched_ahead_at, None
        if at is None or self.standing != list(settings) or time.monotonic() - at > AHEAD_S:
            self.rf_off()
            self.switch(settings)

    def switch_ahead(self, settings: Iterable[SwitchSetting]) -> None:
        """`set_path` for the capture that follows, while the one before is stored."""
        self.rf_off()
        self.switch(settings)
        self._switched_ahead_at = time.monotonic()

    def switch(self, settings: Iterable[SwitchSetting]) -> None:
        """Close channels and ask whether they are closed. RF must be off."""
        self._switched_ahead_at = None
        self.standing = settings = list(settings)
        for setting in settings:
            self.connect([setting.instrument])
            order = switched(self.drivers[setting.instrument], list(setting.channels))
            self._play(order, self.links)

    def opened(self, settings: Iterable[SwitchSetting]) -> dict[str, list[int]]:
        """Switch -> channels that should be closed and are not; asked after a sweep.

        A lost link is not opened again for this: after a power cut the switch would answer, but
        its channels during the sweep would still be unknown. Raises LinkLost, Garbled.
        """
        found: dict[str, list[int]] = {}
        for setting in settings:
            question = left_open(self.drivers[setting.instrument], list(setting.channels))
            if missing := self._play(question, self.links):
                found[setting.instrument] = missing
        return found

    def measure(
        self,
        procedure: Procedure[T],
        names: list[str],
        on_progress: Callable[[Any], None],
        *,
        lid: Lid | None = "closed",
        then: Callable[[T], Procedure[T]] | None = None,
        radiates: str = "",
    ) -> T:
        """Run a procedure that may radiate; RF is verified off before and after it.

        radiates: frequency and level of what is sent, in words for whoever looks on.
        then: a second procedure, run with RF off. It gets the value that the first returned, and
            returns the final one.
        If either raises StillRadiating, every way to switch RF off is tried.
        lid: the required position of the lid, if the box has a contact; None for either.
        The error queues are read empty at the end; an entry raises InstrumentRefused with its
        likely cause. Raises RecordNotKept if the sources cannot be recorded before RF goes on.
        """
        self.connect(names)
        self.rf_off()
        procedure = told_before_rf(
            confirmed(procedure, self.drivers), self.radiating(), self._about_to_radiate
        )
        with self._lid_watched(lid) as watch:
            if lid is not None:
                self.rf.on((name for name in self.radiating() if name in names), radiates)
            self._measuring = True
            try:
                outcome = self._play(procedure, self.links, on_progress=on_progress, cancel=watch)
            except BaseException as error:
                self._measuring = False
                # These methods leave instruments free-running, holding maxima or tracking, which
                # would give wrong levels in the next sweep.
                self.disturb(names)
                if isinstance(error, StillRadiating):
                    self._off.by_every_means(error)
                self._rf_off_after_failure()
                self._end_lists(names)
                if isinstance(error, Cancelled) and watch is not None and watch.trouble is not None:
                    raise watch.trouble from None
                raise
            self._measuring = False
            self.rf_off()
        if then is not None:
            try:
                outcome = self._play(then(outcome), self.links)
            except BaseException as error:
                self.disturb(names)
                if isinstance(error, StillRadiating):
                    self._off.by_every_means(error)
                self._rf_off_after_failure()
                raise
        self.drain_errors(names)
        return outcome

    def _about_to_radiate(self) -> None:
        """Write the record of sources; from now on the sources count as on. Raises
        RecordNotKept."""
        if self.record is not None:
            self.record.keep()
        self._off.not_off.update(self.radiating())

    def _lid_watched(self, wanted: Lid | None) -> AbstractContextManager[LidWatch | None]:
        """A watch on the lid, after checking that the lid is as wanted.

        There is none if the lid may be in either position, or if the box has no contact.
        Raises LidOpened, LidClosed, LinkLost, Garbled.
        """
        contact = contact_of(self.bench)
        if contact is None or wanted is None:
            return nullcontext()
        name, answer_within_s = contact
        self.connect([name])
        question = self.drivers[name].open_query()

        def is_open(cancel: Callable[[], bool]) -> bool:
            return bool(self._play(asked(question), self.links, cancel=cancel))

        require_lid(is_open(self._stopped), wanted, where=name)
        return LidWatch(name, is_open, wanted, answer_within_s, stop=self._stopped, hurry=self.stop)

    def lid_is_open(self, given_up: Callable[[], bool]) -> bool:
        """Ask the lid's contact once, with RF off.

        given_up: tells that the answer is not needed any more; the question then ends. Raises
        LinkLost, Garbled, and Cancelled for a question that ended so.
        """
        contact = contact_of(self.bench)
        assert contact is not None, "checked when the recipe was resolved"
        name, _ = contact
        self.connect([name])
        try:
            question = asked(self.drivers[name].open_query())
            return bool(
                self._play(question, self.links, cancel=lambda: given_up() or self._stopped())
            )
        except BenchdError:
            # A late answer must not be taken for that of the next question.
            self.links[name].close()
            raise

    def temperature_c(self) -> dict[str, float]:
        """`temperature_c` by the bench's first thermometer, degrees Celsius; empty without one."""
        return room_temperature(self.bench, self._temperature)

    def _temperature(self, name: str) -> float:
        self.connect([name])
        return float(self._play(asked(self.drivers[name].temperature_query()), self.links))

    def _rf_off_after_failure(self) -> None:
        """Switch RF off after an error, and do not replace that error by one of this attempt.

        If it fails, the queue goes on trying.
        """
        try:
            self.rf_off()
        except BenchdError as error:
            _log.error("rf off failed; will be tried until it is off", error=str(error))

    def _end_lists(self, names: Iterable[str]) -> None:
        """End lists that may still run, once RF is off; the next use resets their instruments."""
        open_ones = [one for one in names if one in self.links and self.links[one].connected]
        try:
            procedure = lists_ended(self.drivers[name] for name in open_ones)
            self._play(procedure, self.links, cancel=self._given_up)
        except BenchdError as error:
            _log.warning("list not ended", error=str(error))

    def drain_errors(self, names: Iterable[str]) -> None:
        """Read error queues empty. Raises InstrumentRefused if one held anything."""
        for name in names:
            self._play(self.drivers[name].expect_no_errors(), self.links)

    def play_off(self, procedure: Procedure[None]) -> None:
        """Run a procedure that switches off: `stop` does not end it."""
        self._play(procedure, self.links, cancel=self._given_up)

    def _play(
        self,
        procedure: Procedure[T],
        links: dict[str, Link],
        *,
        on_progress: Callable[[Any], None] | None = None,
        cancel: Callable[[], bool] | None = None,
    ) -> T:
        with translated():
            player = Player(links, cancel=cancel or self._stopped, on_progress=on_progress)
            try:
                result: T = player.run(procedure)
            except BadReply as error:
                # After a wrong answer the instrument is not asked any further. The next use opens
                # its link again, with RF off first.
                if error.instrument in links:
                    links[error.instrument].close()
                raise
            return result
