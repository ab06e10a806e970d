"""`benchd-simulator`: serves one virtual bench until it is told to stop."""

from __future__ import annotations

import atexit
import gc
import sys
from collections.abc import Sequence

NEW_OBJECTS = 50_000
"""So many new objects may pile up before Python looks for garbage among them: while all is loaded
nearly nothing is garbage, and looking for it takes a quarter of the start."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Entry point. Exit status 0 after a signal, 2 for something wrong in what was asked."""
    gc.set_threshold(NEW_OBJECTS)
    atexit.register(gc.freeze)  # at the end everything goes, garbage or not
    from simulators.serving import serve

    return serve(arguments)


if __name__ == "__main__":
    sys.exit(main())
