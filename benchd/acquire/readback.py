"""Asking settings back, since a source that ignores a command gives a plausible but wrong trace."""

from __future__ import annotations

from typing import Any

from benchd.acquire.plan import Procedure
from benchd.errors import InstrumentRefused
from drivers.readback import Setting

NOT_READ_BACK = "not-read-back"
"""Flag of a capture whose source cannot be asked for its level or its frequency."""


def settings_read_back(*settings: Setting | None) -> Procedure[tuple[str, ...]]:
    """Ask for each setting, and compare the answer with the value that was sent.

    settings: None stands for a setting that this instrument cannot be asked for.
    Returns flags for the capture. Raises InstrumentRefused with the value sent and the value found.
    """
    for setting in settings:
        if setting is None:
            continue
        (found,) = yield (setting.question,)
        if not setting.agrees(found):
            raise _ignored(setting, found)
    return (NOT_READ_BACK,) if None in settings else ()


def _ignored(setting: Setting, found: Any) -> InstrumentRefused:
    return InstrumentRefused(
        f"the {setting.quantity} is not what was set: sent {setting.command!r}, expected "
        f"{setting.words(setting.sent)}, found {setting.words(found.value)} as the answer to "
        f"{setting.question.message!r}",
        where=f"{setting.question.instrument}, {setting.command}",
        advice="Look at its screen: is it in local mode, at a limit, or in another mode? If it "
        f"answers in another way, give `{setting.query_name}` under `commands:` in the bench "
        "file, or leave it empty there, so that it is not asked.",
    )
