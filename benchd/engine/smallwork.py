"""Small procedures of the rig, one that is woven into others, and how a link is opened."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, TypeVar

from benchd.acquire.plan import Procedure
from benchd.bench.instruments import Instrument
from benchd.errors import InstrumentRefused
from drivers.exchange import Batch, Exchange
from drivers.link import Link
from drivers.visa import SerialSettings

T = TypeVar("T")


def link_to(
    instrument: Instrument, driver: Any, off: Sequence[str], cancel: Callable[[], bool]
) -> Link:
    """A session to an instrument as the bench file has it. Raises what `Link.open` raises.

    off: messages that switch it off, where it radiates; the first that it hears.
    """
    return Link.open(
        driver.name,
        instrument.address,
        timeout_s=instrument.timeout_s,
        open_timeout_s=instrument.connect_timeout_s,
        expect_identity=instrument.identity or "",
        identify=driver.identity_question,
        terminator=instrument.ending,
        serial=SerialSettings(**instrument.line_settings),
        first_words=off,
        cancel=cancel,
    )


def sent(batch: Batch) -> Procedure[None]:
    """One batch without a reply."""
    yield batch


def asked(question: Exchange) -> Procedure[Any]:
    """The value of one question."""
    (value,) = yield (question,)
    return value


def switched(driver: Any, channels: list[int]) -> Procedure[None]:
    """Close channels and see that they are. Raises InstrumentRefused."""
    yield driver.close(channels)
    if not driver.has("closed_query"):
        return  # it cannot be asked; the worksheet says so
    (closed,) = yield (driver.closed_query(channels),)
    missing = [number for number, shut in zip(channels, closed, strict=True) if not shut]
    if missing:
        raise InstrumentRefused(
            f"channels {missing} did not close",
            where=driver.name,
            advice="Check the switch's power and its channel numbers in the bench file.",
        )


def told_before_rf(
    procedure: Procedure[T], sources: Collection[str], about_to_radiate: Callable[[], None]
) -> Procedure[T]:
    """Run `procedure`; `about_to_radiate` is called before the first message that lets one of
    the sources radiate, and what it raises keeps that message from being sent."""
    replies: list[Any] = []
    told = False
    try:
        step = next(procedure)
        while True:
            if not told and isinstance(step, tuple):
                told = any(item.radiates and item.instrument in sources for item in step)
                if told:
                    about_to_radiate()
            replies = yield step
            step = procedure.send(replies)
    except StopIteration as stop:
        result: T = stop.value
        return result
    finally:
        procedure.close()


@contextmanager
def insisting(link: Link | None) -> Iterator[None]:
    """OFF is said again and again while this source is waited for."""
    if link is None:
        yield
        return
    link.insist = True
    try:
        yield
    finally:
        link.insist = False


def fault(name: str, error: Exception) -> InstrumentRefused:
    """A fault in benchd or a driver that came between benchd and RF off, in words."""
    return InstrumentRefused(
        f"RF off could not be verified: {type(error).__name__}: {error}",
        where=name,
        advice="Switch the source off by hand. Please report this with the log.",
    )
