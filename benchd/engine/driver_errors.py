"""Translating the errors of drivers to those of benchd, in one place."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from benchd.errors import Cancelled, Garbled, InstrumentRefused, LinkLost
from drivers import errors as theirs


@contextmanager
def translated() -> Iterator[None]:
    """Raise errors of `drivers` as the fitting class of `benchd.errors`, keeping the cause."""
    try:
        yield
    except theirs.Stopped as error:
        raise Cancelled("stopped") from error
    except theirs.LinkLost as error:
        raise LinkLost(error.message, where=_where(error), advice=error.advice) from error
    except theirs.BadReply as error:
        raise Garbled(error.message, where=_where(error), advice=error.advice) from error
    except theirs.DriverError as error:
        raise InstrumentRefused(error.message, where=_where(error), advice=error.advice) from error


def _where(error: theirs.DriverError) -> str:
    return f"{error.instrument}, {error.command}" if error.command else error.instrument
