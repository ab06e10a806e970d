"""The rig: all sessions of one bench, owned by the bench thread.

Every method of `Rig` blocks and is called on the bench thread only (`BenchThread.run`). Several
sources are switched off by one thread each while the bench thread waits, so that none waits for
another. After a failed exchange a link counts as broken; the next use closes it, opens it again,
switches RF off before anything else and checks the identity. After a procedure that was broken off
the state of its instruments is unknown; the next use resets them. A command that radiates is never
repeated here.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager, nullcontext
from typing import Any, TypeVar

import structlog

from benchd.acquire import Probe, confirmed, quiet, require_lid, rf_off_verified
from benchd.acquire.plan import Procedure
from benchd.bench import Bench
from benchd.engine.benchchanges import BenchChanges
from benchd.engine.driver_errors import translated
from benchd.engine.hang_detector import Pulse
from benchd.engine.instrumentstate import InstrumentState, state_of
from benchd.engine.lidwatch import LidWatch, contact_of
from benchd.engine.lying_sources import Doubt, LyingSources
from benchd.engine.rfwatch import RfWatch
from benchd.engine.roomtemperature import room_temperature
from benchd.engine.small_procedures import (
    asked,
    fault,
    insisting,
    left_open,
    link_to,
    lists_ended,
    other_ways_off,
    sent,
    switched,
    told_before_rf,
)
from benchd.engine.source_record import SourceRecord, made_drivers, radiating
from benchd.errors import (
    BenchdError,
    Cancelled,
    Garbled,
    LinkLost,
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

AGAIN_S = 0.1
"""Time between two attempts to switch one source off while another is still tried, s."""
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
        self._links: dict[str, Link] = {}
        self._faults: dict[str, str] = {}
        self._disturbed: set[str] = set()
        self.doubted = LyingSources()
        self._standing: list[SwitchSetting] = []
        self._not_off: set[str] = set(radiating(bench))
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
        link = self._links.get(name)
        if link is not None and link.connected and name not in self._disturbed:
            return
        instrument = self.bench.instruments[name]
        radiates = name in self._radiating()
        cancel = self._given_up if radiates else self._stopped
        try:
            with translated():
                if link is None:
                    off = self._off_messages(name) if radiates else ()
                    link = link_to(instrument, self.drivers[name], off, cancel)
                    self._links[name] = link
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
        if name not in self._radiating():
            self._play(sent(driver.reset_state()), links)
            return
        with insisting(link):
            self._play(sent(driver.rf_off()), links, cancel=self._given_up)
            self._play(sent(driver.reset_state()), links, cancel=self._given_up)
            self._play(rf_off_verified([driver]), links, cancel=self._given_up)

    def _radiating(self) -> list[str]:
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
        return {name: self._links[name].identity for name in names if name in self._links}

    def states(self) -> list[InstrumentState]:
        """The known state of each instrument; sends nothing to them."""
        return [
            state_of(name, instrument, self._links.get(name), self._faults.get(name, ""))
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
                self._play(again, self._links, cancel=self._stopped)
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
        changes.require_off(self._not_off, used=self._links, doubted=self.doubted.names)
        if self.record is not None:
            self.record = changes.record(self.record, self._not_off)
        self.let_go(changes.names)
        self.bench, self.drivers = bench, changes.drivers
        self._not_off = (self._not_off - changes.names) | (changes.names & set(self._radiating()))
        self._rf_off_after_failure()

    def let_go(self, names: Iterable[str]) -> None:
        """Close links; the next use opens them anew, with OFF first, and resets."""
        for name in names:
            link = self._links.pop(name, None)
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
        for name, link in self._links.items():
            try:
                link.close()
            except Exception as error:
                _log.error("link not closed", instrument=name, error=str(error))
        if self.record is not None:
            self.record.close(verified_off=not self._not_off)

    # -- work -------------------------------------------------------------------------------

    def rf_not_verified(self) -> list[str]:
        """Names of RF outputs that may have been on and have not confirmed OFF since.

        Empty while a procedure that may radiate runs normally. May be called from any thread.
        """
        return [] if self._measuring else sorted(self._not_off)

    def rf_off(self) -> None:
        """Switch every RF output off, and verify it by query.

        Each output is tried, whatever goes wrong with the others. One that failed is tried again
        until the first attempt of every other has ended. Raises LinkLost or InstrumentRefused; if
        several outputs fail, the first error.
        """
        names = self._radiating()
        problems: dict[str, BenchdError | None] = {}
        if len(names) == 1:
            problems[names[0]] = self._tried(self._rf_off_one, names[0])
        else:
            self._rf_off_together(names, problems)
        for name in names:
            if problems[name] is None:
                problems[name] = self._tried(self._look_again, name)
        found = {name: problem for name, problem in problems.items() if problem is not None}
        if found:
            self.rf.not_verified(found, "; ".join(str(error) for error in found.values()))
            raise next(found[name] for name in names if name in found)
        self.rf.off_verified(names)

    def _rf_off_together(self, names: list[str], problems: dict[str, BenchdError | None]) -> None:
        """Switch these off, each by a thread of its own; no other uses the links meanwhile."""

        def until_all_are_tried(name: str) -> None:
            while True:
                problems[name] = self._tried(self._rf_off_one, name)
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
            self._not_off.add(name)
            return error
        except Exception as error:
            self._not_off.add(name)
            _log.exception("a fault in benchd or a driver kept rf on", instrument=name)
            return fault(name, error)
        self._not_off.discard(name)
        return None

    def _rf_off_one(self, name: str) -> None:
        """Switch one output off and verify it.

        If the link turns out to be dead, it is opened again and OFF is repeated, once: instruments
        close idle connections, and OFF does no harm when it is sent twice.
        """
        try:
            self.connect([name])
            self._verify_off(name)
        except (LinkLost, Garbled):
            self.connect([name])
            self._verify_off(name)

    def _verify_off(self, name: str) -> None:
        with insisting(self._links.get(name)):
            procedure = rf_off_verified([self.drivers[name]])
            self._play(procedure, self._links, cancel=self._given_up)

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
        self.connect([*names, *(setting.instrument for setting in settings)])
        if self.opened(settings):
            # If a switch has opened the path, a source that is on would seem to be off.
            self.switch(settings)
        self._play(quiet(probe), self._links, cancel=self._given_up)
        self._disturbed.update(names)
        self.doubted.clear(name)

    def _off_by_every_means(self, error: StillRadiating) -> None:
        """Try other ways to end radiation: the lowest level, output off once more, and a reset.

        The source counts as on until a later `rf_off` has measured that it is off.
        """
        name = error.where
        self.rf.not_verified([name], str(error))
        self._not_off.add(name)
        if not isinstance(error.probe, Probe):
            return
        self.doubted.add(name, Doubt(error.probe, tuple(self._standing)))
        for what, batch in other_ways_off(self.drivers[name], error.probe.lowest_dbm):
            try:
                self.connect([name])
                self._play(sent(batch), self._links, cancel=self._given_up)
            except BenchdError as trouble:
                _log.error("rf off by another way failed", way=what, error=str(trouble))

    def switch(self, settings: Iterable[SwitchSetting]) -> None:
        """Close channels and ask whether they are closed. RF must be off."""
        self._standing = settings = list(settings)
        for setting in settings:
            self.connect([setting.instrument])
            order = switched(self.drivers[setting.instrument], list(setting.channels))
            self._play(order, self._links)

    def opened(self, settings: Iterable[SwitchSetting]) -> dict[str, list[int]]:
        """Switch -> channels that should be closed and are not; asked after a sweep.

        A lost link is not opened again for this: after a power cut the switch would answer, but
        its channels during the sweep would still be unknown. Raises LinkLost, Garbled.
        """
        found: dict[str, list[int]] = {}
        for setting in settings:
            question = left_open(self.drivers[setting.instrument], list(setting.channels))
            if missing := self._play(question, self._links):
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
            confirmed(procedure, self.drivers), self._radiating(), self._about_to_radiate
        )
        with self._lid_watched(lid) as watch:
            if lid is not None:
                self.rf.on((name for name in self._radiating() if name in names), radiates)
            self._measuring = True
            try:
                outcome = self._play(procedure, self._links, on_progress=on_progress, cancel=watch)
            except BaseException as error:
                self._measuring = False
                # These methods leave instruments free-running, holding maxima or tracking, which
                # would give wrong levels in the next sweep.
                self._disturbed.update(names)
                if isinstance(error, StillRadiating):
                    self._off_by_every_means(error)
                self._rf_off_after_failure()
                self._end_lists(names)
                if isinstance(error, Cancelled) and watch is not None and watch.trouble is not None:
                    raise watch.trouble from None
                raise
            self._measuring = False
            self.rf_off()
        if then is not None:
            try:
                outcome = self._play(then(outcome), self._links)
            except BaseException as error:
                self._disturbed.update(names)
                if isinstance(error, StillRadiating):
                    self._off_by_every_means(error)
                self._rf_off_after_failure()
                raise
        self.drain_errors(names)
        return outcome

    def _about_to_radiate(self) -> None:
        """Write the record of sources; from now on the sources count as on. Raises
        RecordNotKept."""
        if self.record is not None:
            self.record.keep()
        self._not_off.update(self._radiating())

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
            return bool(self._play(asked(question), self._links, cancel=cancel))

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
                self._play(question, self._links, cancel=lambda: given_up() or self._stopped())
            )
        except BenchdError:
            # A late answer must not be taken for that of the next question.
            self._links[name].close()
            raise

    def temperature_c(self) -> dict[str, float]:
        """`temperature_c` by the bench's first thermometer, degrees Celsius; empty without one."""
        return room_temperature(self.bench, self._temperature)

    def _temperature(self, name: str) -> float:
        self.connect([name])
        return float(self._play(asked(self.drivers[name].temperature_query()), self._links))

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
        open_ones = [one for one in names if one in self._links and self._links[one].connected]
        try:
            procedure = lists_ended(self.drivers[name] for name in open_ones)
            self._play(procedure, self._links, cancel=self._given_up)
        except BenchdError as error:
            _log.warning("list not ended", error=str(error))

    def drain_errors(self, names: Iterable[str]) -> None:
        """Read error queues empty. Raises InstrumentRefused if one held anything."""
        for name in names:
            self._play(self.drivers[name].expect_no_errors(), self._links)

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
