"""Points in time as people type them, in the local time of this computer."""

from __future__ import annotations

import re
from datetime import datetime, time, timedelta

from benchd.errors import UserError

_FORMS = 'such as "22:30", "2026-03-01 22:30" or "2026-03-01T21:30Z"'


def read_when(text: str, option: str, *, after: datetime) -> datetime:
    """A moment with its offset from UTC.

    A time of day means the next such time after `after`; without an offset it is local time, with
    the offset that holds on that day. Raises UserError.
    """
    stripped = text.strip()
    if re.fullmatch(r"\d{1,2}:\d{2}(:\d{2})?", stripped):
        return _next(stripped, option, after)
    try:
        moment = datetime.fromisoformat(stripped)
    except ValueError as error:
        raise UserError(f'cannot read "{text}" as a time, {_FORMS}.', where=option) from error
    return moment.astimezone()


def _next(text: str, option: str, after: datetime) -> datetime:
    try:
        of_day = time.fromisoformat(text.zfill(5) if len(text) < 6 else text.zfill(8))
    except ValueError as error:
        raise UserError(f'"{text}" is not a time of day, {_FORMS}.', where=option) from error
    day = after.astimezone().date()
    # astimezone() on a time without zone takes it as local, with the offset of that very day.
    moment = datetime.combine(day, of_day).astimezone()
    if moment <= after:
        moment = datetime.combine(day + timedelta(days=1), of_day).astimezone()
    return moment
