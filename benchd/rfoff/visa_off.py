"""OFF over HiSLIP, VXI-11 and what else pyvisa reaches. Loads pyvisa, so it comes last."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from drivers.link import Link
from drivers.visa import SerialSettings

if TYPE_CHECKING:
    from benchd.rfoff.sending import _Attempt


def talk(attempt: _Attempt) -> bool:
    """One session: True once the source says that it is off. Raises what `drivers.link` raises."""
    source = attempt.outcome.source
    left_s = max(0.2, attempt.deadline - time.monotonic())
    with Link.open(
        source.name,
        source.address,
        timeout_s=left_s,
        open_timeout_s=left_s,
        identify=None,
        first_words=source.off,
        terminator=source.terminator,
        serial=SerialSettings(**source.serial),
    ) as link:
        attempt.written()
        for _ in range(2):
            is_on = source.says_on(link.query(source.query)) if source.query else None
            if is_on is False:
                return True
            attempt.outcome.detail = (
                "it says that it is still on" if is_on else "it cannot be asked"
            )
            for message in (*source.lowest, *source.off):
                link.write(message)
    return False
