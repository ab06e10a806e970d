"""`benchd serve` whose source's driver never comes back from a call, once a file is there.

STUCK_WHEN names the file. STUCK_WHAT says what hangs: the bench thread, or the event loop.
Everything else is as it is; only the patience of the watch over the bench thread is shorter.
"""

import os
import time
from pathlib import Path
from typing import Any

from benchd.cli import main
from benchd.engine import hang_detector
from benchd.engine.events import EventHub
from drivers.source import ScpiSource

FLAG = Path(os.environ["STUCK_WHEN"])
plain_frequency = ScpiSource.set_frequency_settled
plain_publish = EventHub.publish


def set_frequency_settled(self: ScpiSource, frequency_hz: float) -> Any:
    """Hangs on the bench thread, in the middle of a sweep."""
    if os.environ["STUCK_WHAT"] == "bench" and FLAG.exists():
        time.sleep(3600.0)
    return plain_frequency(self, frequency_hz)


def publish(self: EventHub, kind: str, data: dict[str, Any], **how: Any) -> Any:
    """Hangs on the event loop."""
    if os.environ["STUCK_WHAT"] == "loop" and FLAG.exists():
        time.sleep(3600.0)
    return plain_publish(self, kind, data, **how)


if __name__ == "__main__":
    hang_detector.HANGS_AFTER_TICKS = 4
    ScpiSource.set_frequency_settled = set_frequency_settled  # type: ignore[method-assign]
    EventHub.publish = publish  # type: ignore[method-assign]
    main()
