"""Points in time as people type them, in the time zone of the bench.

The zone of the computer plays no part: a bench may stand elsewhere than the keyboard.

On the night when clocks go forward some times do not exist, and are refused. On the night when
they go back some come twice: a time of day means the next one to come, and a date with such a time
is refused unless it says its offset.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, time, timedelta, tzinfo

from benchd.errors import UserError

_FORMS = 'such as "22:30", "2026-03-01 22:30" or "2026-03-01T21:30Z"'
# Jobs do not wait for centuries; and near the ends of the calendar no offset can be applied.
_FIRST_YEAR, _LAST_YEAR = 1970, 9998


def read_when(text: str, option: str, *, after: datetime, zone: tzinfo) -> datetime:
    """A moment with its offset from UTC.

    A time of day means the next such time after `after`; without an offset it is time of `zone`,
    with the offset that holds there on that day. Raises UserError.
    """
    stripped = text.strip()
    if re.fullmatch(r"[0-9]{1,2}:[0-9]{2}(:[0-9]{2})?", stripped):
        return _next(stripped, option, after, zone)
    try:
        if not stripped.isascii():
            raise ValueError("digits of another script")
        moment = datetime.fromisoformat(stripped)
    except ValueError as error:
        raise UserError(f'cannot read "{text[:60]}" as a time, {_FORMS}.', where=option) from error
    if not _FIRST_YEAR <= moment.year <= _LAST_YEAR:
        raise UserError(
            f'"{stripped[:60]}" lies outside the years {_FIRST_YEAR} to {_LAST_YEAR}.',
            where=option,
        )
    if moment.tzinfo is not None:
        return moment.astimezone(zone)
    return _only(moment, option, zone)


def _next(text: str, option: str, after: datetime, zone: tzinfo) -> datetime:
    try:
        of_day = time.fromisoformat(text.zfill(5) if len(text) < 6 else text.zfill(8))
    except ValueError as error:
        raise UserError(f'"{text}" is not a time of day, {_FORMS}.', where=option) from error
    now = after.astimezone(zone)
    for later in (0, 1):
        local = datetime.combine(now.date() + timedelta(days=later), of_day)
        moments = _moments(local, zone)
        for moment in moments:
            # In UTC: two moments of one zone would be compared by what its clocks show.
            if moment.astimezone(UTC) > after.astimezone(UTC):
                return moment
        if not moments and local > now.replace(tzinfo=None):
            raise _does_not_exist(local, option, zone)
    raise AssertionError("every time of day comes within two days")


def _only(local: datetime, option: str, zone: tzinfo) -> datetime:
    """The one moment of a date with a local time."""
    moments = _moments(local, zone)
    if not moments:
        raise _does_not_exist(local, option, zone)
    if len(moments) > 1:
        first, second = (moment.isoformat(sep=" ", timespec="minutes") for moment in moments)
        raise UserError(
            f"{local:%H:%M} comes twice on {local:%Y-%m-%d}, when the clocks go back.",
            where=option,
            advice=f'Say which: "{first}" or "{second}".',
        )
    return moments[0]


def _moments(local: datetime, zone: tzinfo) -> list[datetime]:
    """The moments at which the zone's clocks show this, earliest first: none, one or two."""
    found = {}
    for fold in (0, 1):
        moment = local.replace(tzinfo=zone, fold=fold)
        # In UTC and back: a time that the clocks skip comes out as another.
        shown = moment.astimezone(UTC).astimezone(zone).replace(tzinfo=None, fold=0)
        if shown == local.replace(fold=0):
            found[moment.timestamp()] = moment
    return [found[stamp] for stamp in sorted(found)]


def _does_not_exist(local: datetime, option: str, zone: tzinfo) -> UserError:
    # With the offset of before and of after the change; the later one is what people mean.
    both = (local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    later = max(both).astimezone(zone)
    return UserError(
        f"{local:%H:%M} does not exist on {local:%Y-%m-%d}: the clocks go forward then.",
        where=option,
        advice=f'The same moment is "{later.isoformat(sep=" ", timespec="minutes")}".',
    )
