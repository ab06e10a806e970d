"""What somebody asks for when a job is queued: which recipe, and when it may run.

The same two values go from the command line, HTTP and MQTT through the desk to the table of jobs.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from benchd.errors import OrderRefused
from benchd.rounding import about_words

SERIAL = "serial"
"""The name that the serial number of an antenna is bound to, in steps, captures and results."""

SERIAL_FORM = r"[A-Za-z0-9](?:[A-Za-z0-9 ._/-]{0,38}[A-Za-z0-9._/-])?"
SERIAL_WORDS = "1 to 40 letters, digits, spaces and . _ / - that begin with a letter or digit"
BATCH_FORM = r"[a-z0-9][a-z0-9-]{0,59}"
BATCH_WORDS = "1 to 60 small letters, digits and hyphens that begin with a letter or digit"


@dataclass(frozen=True, slots=True)
class RecipeSource:
    """A recipe that the daemon knows by name, or a whole recipe as text.

    file: what messages about the text call it.
    """

    name: str | None = None
    text: str | None = None
    file: str = "recipe.yaml"

    def __post_init__(self) -> None:
        if (self.name is None) == (self.text is None):
            raise ValueError("a recipe comes either by its name or as text")

    def as_body(self) -> dict[str, str]:
        """The fields of the HTTP API."""
        if self.text is None:
            return {"recipe": str(self.name)}
        return {"text": self.text, "file": self.file}


@dataclass(frozen=True, slots=True)
class JobRequest:
    """When a job may run, and before which others. Times carry their offset from UTC.

    priority: higher runs first. not_before, finish_by: the window; None leaves it open.
    serial: serial number of the antenna; the job asks for that one by hand. batch: a name that
        jobs over several serial numbers have in common.
    """

    priority: int = 0
    not_before: datetime | None = None
    finish_by: datetime | None = None
    serial: str | None = None
    batch: str | None = None

    def as_body(self) -> dict[str, Any]:
        """The fields of the HTTP API; what is not asked for is left out."""
        window = {"not_before": self.not_before, "finish_by": self.finish_by}
        return {
            "priority": self.priority,
            **{name: moment.isoformat() for name, moment in window.items() if moment is not None},
            **({} if self.serial is None else {"serial": self.serial}),
            **({} if self.batch is None else {"batch": self.batch}),
        }

    def check(self, expected_s: float, now: datetime) -> None:
        """Raises OrderRefused for a window that no clock knows, or too short for the job, and for
        a serial number or a batch that is not written as one.

        expected_s: what the job needs.
        """
        for words, name, form, what in (
            ("serial number", self.serial, SERIAL_FORM, SERIAL_WORDS),
            ("batch", self.batch, BATCH_FORM, BATCH_WORDS),
        ):
            if name is not None and not re.fullmatch(form, name, re.ASCII):
                raise OrderRefused(f'"{name[:60]}" is no {words}: {what}')
        for name, moment in (("not before", self.not_before), ("finish by", self.finish_by)):
            if moment is None:
                continue
            if moment.tzinfo is None:
                raise OrderRefused(f'"{name}" {moment.isoformat()} has no time zone')
            try:
                moment.astimezone(UTC)
            except OverflowError as error:
                raise OrderRefused(
                    f'"{name}" {moment.isoformat()} lies outside the years 1 to 9999 in UTC',
                    advice="Leave it out, or give a time that can come.",
                ) from error
        if self.finish_by is None:
            return
        room_s = (self.finish_by - max(self.not_before or now, now)).total_seconds()
        if room_s < expected_s:
            raise OrderRefused(
                f"the job needs about {about_words(expected_s)}, "
                f"its window has {about_words(max(0.0, room_s))}",
                advice="Give it a longer window, fewer points or a shorter dwell.",
            )
