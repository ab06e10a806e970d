"""Moments in words, in the time zone of a bench; and as text that programs read.

Inside benchd every moment is in UTC. A person reads it in the zone that the bench file states,
wherever the command runs: the words then mean the same on every computer.
"""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo


def zone_named(name: str) -> ZoneInfo:
    """The time zone of that name (IANA time zone database), such as Europe/Vienna.

    Raises ZoneInfoNotFoundError or ValueError; bench files are checked for both when read.
    """
    return ZoneInfo(name)


def zone_name(zone: tzinfo) -> str:
    """The name that a person knows the zone by, such as Europe/Vienna."""
    if zone is UTC:
        return "UTC"
    return getattr(zone, "key", None) or str(zone)


def utc_text(moment: datetime) -> str:
    """A moment for programs: RFC 3339, UTC, with `Z`. One without a zone is taken as UTC, as the
    store keeps it."""
    aware = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return aware.astimezone(UTC).isoformat().replace("+00:00", "Z")


def time_words(moment: datetime, zone: tzinfo = UTC) -> str:
    """A moment as the clocks of a zone show it, with the zone's name.

    "2026-03-01 22:04:05 Europe/Vienna". In the hour that comes twice when the clocks go back, the
    offset from UTC stands with it: "2026-10-25 02:30:00+02:00 Europe/Vienna". A moment without a
    zone is taken as UTC, as the store keeps it.
    """
    aware = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    local = aware.astimezone(zone)
    twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
    offset = local.isoformat(timespec="seconds")[19:] if twice else ""
    return f"{local:%Y-%m-%d %H:%M:%S}{offset} {zone_name(zone)}"
