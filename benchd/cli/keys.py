"""Single keys from a terminal, without Enter."""

from __future__ import annotations

import os
import select
import termios
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import IO


@contextmanager
def pressed_keys(stream: IO[str], pressed: Callable[[str], None]) -> Iterator[None]:
    """Call `pressed` with each key, in lower case, while this is open; from a thread of its own.

    Ctrl-C still interrupts. Where `stream` is no terminal, nothing is read.
    """
    if not stream.isatty():
        yield
        return
    terminal = stream.fileno()
    before = termios.tcgetattr(terminal)
    ending, end = os.pipe()
    reader = threading.Thread(
        target=_read, args=(terminal, ending, pressed), name="keys", daemon=True
    )
    try:
        tty.setcbreak(terminal)
        reader.start()
        yield
    finally:
        os.close(end)
        reader.join()
        os.close(ending)
        termios.tcsetattr(terminal, termios.TCSADRAIN, before)


def _read(terminal: int, ending: int, pressed: Callable[[str], None]) -> None:
    waiting = select.poll()
    waiting.register(ending, select.POLLIN | select.POLLHUP)
    waiting.register(terminal, select.POLLIN)
    while True:
        ready = {place for place, _ in waiting.poll()}
        if ending in ready:
            return
        try:
            typed = os.read(terminal, 16)
        except OSError:
            return
        if not typed:
            return
        for key in typed.decode("ascii", "ignore").lower():
            pressed(key)
