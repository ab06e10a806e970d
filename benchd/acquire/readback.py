"""Settings asked back: a source that ignores an order gives a plausible wrong trace."""

from __future__ import annotations

from typing import Any

from benchd.acquire.plan import Procedure
from benchd.errors import InstrumentRefused
from drivers.readback import Setting

NOT_READ_BACK = "not-read-back"
"""Flag of a capture whose source cannot be asked for its level or its frequency."""


def settings_read_back(*settings: Setting | None) -> Procedure[tuple[str, ...]]:
    """Ask for each setting, and hold the answer against what was sent.

    settings: None stands for one that this instrument cannot be asked for.
    Returns the flags of a capture. Raises InstrumentRefused with what was sent and found.
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
