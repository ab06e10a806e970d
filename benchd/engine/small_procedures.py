"""Small procedures that the rig uses, and the opening of links."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, TypeVar

from benchd.acquire.plan import Procedure
from benchd.bench.instruments import Instrument
from benchd.errors import InstrumentRefused
from drivers.exchange import Batch, Exchange, Item, Series
from drivers.link import Link
from drivers.visa import SerialSettings

T = TypeVar("T")


def link_to(
    instrument: Instrument,
    driver: Any,
    off: Sequence[str],
    cancel: Callable[[], bool],
    *,
    identify: bool = True,
) -> Link:
    """Open a session to an instrument by its entry in the bench file. Raises as `Link.open` does.

    off: messages that switch it off, if it radiates; they are sent first.
    identify: ask who answers, and compare it with what the bench file expects.
    """
    return Link.open(
        driver.name,
        instrument.address,
        timeout_s=instrument.timeout_s,
        open_timeout_s=instrument.connect_timeout_s,
        expect_identity=instrument.identity or "" if identify else "",
        identify=driver.identity_question if identify else None,
        terminator=instrument.ending,
        serial=SerialSettings(**instrument.line_settings),
        first_words=off,
        cancel=cancel,
    )


def sent(batch: Batch) -> Procedure[None]:
    """Send one batch that has no reply."""
    yield batch


def lists_ended(drivers: Iterable[Any]) -> Procedure[None]:
    """End the lists of those that have some; nobody is asked anything."""
    for driver in drivers:
        if getattr(driver, "can_list", False):
            yield driver.list_abort()


def asked(question: Exchange) -> Procedure[Any]:
    """Ask one question; returns the value of its reply."""
    (value,) = yield (question,)
    return value


def switched(driver: Any, channels: list[int]) -> Procedure[None]:
    """Close channels and ask whether they are closed. Raises InstrumentRefused if not."""
    yield driver.close(channels)
    missing = yield from left_open(driver, channels)
    if missing:
        raise InstrumentRefused(
            f"channels {missing} did not close",
            where=driver.name,
            advice="Check the switch's power and its channel numbers in the bench file.",
        )


def left_open(driver: Any, channels: list[int]) -> Procedure[list[int]]:
    """Those of the channels that a switch does not hold closed; none where it cannot be asked,
    which the worksheet states."""
    if not driver.has("closed_query"):
        return []
    (closed,) = yield (driver.closed_query(channels),)
    return [number for number, shut in zip(channels, closed, strict=True) if not shut]


def other_ways_off(driver: Any, lowest_dbm: float) -> tuple[tuple[str, Batch], ...]:
    """What else ends radiation where OFF alone did not, in words and as messages, in order."""
    return (
        ("level to its lowest", driver.least_level(lowest_dbm)),
        ("output off", driver.rf_off()),
        ("reset", driver.reset_state()),
        ("output off", driver.rf_off()),
    )


def told_before_rf(
    procedure: Procedure[T], sources: Collection[str], about_to_radiate: Callable[[], None]
) -> Procedure[T]:
    """Run `procedure`, and call `about_to_radiate` before the first message that lets one of the
    sources radiate. If that call raises, the message is not sent."""
    replies: list[Any] = []
    told = False
    try:
        step = next(procedure)
        while True:
            if not told:
                told = any(
                    item.radiates and item.instrument in sources
                    for batch in _batches_of(step)
                    for item in batch
                )
                if told:
                    about_to_radiate()
            replies = yield step
            step = procedure.send(replies)
    except StopIteration as stop:
        result: T = stop.value
        return result
    finally:
        procedure.close()


def _batches_of(step: Item) -> Sequence[Batch]:
    if isinstance(step, tuple):
        return (step,)
    return step.batches if isinstance(step, Series) else ()


@contextmanager
def insisting(link: Link | None) -> Iterator[None]:
    """While this context is open, OFF is sent again and again as long as the source is waited
    for."""
    if link is None:
        yield
        return
    link.insist = True
    try:
        yield
    finally:
        link.insist = False


def fault(name: str, error: Exception) -> InstrumentRefused:
    """An error for a fault in benchd or a driver that prevented RF off."""
    return InstrumentRefused(
        f"RF off could not be verified: {type(error).__name__}: {error}",
        where=name,
        advice="Switch the source off by hand. Please report this with the log.",
    )
