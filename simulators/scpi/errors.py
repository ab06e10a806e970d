"""SCPI error codes and the error queue (SCPI-1999 volume 2, chapter 21)."""

from __future__ import annotations

from collections import deque

# SCPI-1999 volume 2, 21.8: the standard's own texts, kept to the codes these instruments use.
STANDARD_TEXT = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -151: "Invalid string data",
    -161: "Invalid block data",
    -171: "Invalid expression",
    -200: "Execution error",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -241: "Hardware missing",
    -310: "System error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
}

# IEEE 488.2-1992, 11.5.1: bits of the standard event status register by error class.
_EVENT_BIT_OF_CLASS = {1: 0x20, 2: 0x10, 3: 0x08, 4: 0x04}


class ScpiError(Exception):
    """One entry for the error queue: a code and, after a semicolon, what it was about."""

    def __init__(self, code: int, detail: str = "") -> None:
        self.code = code
        self.detail = detail
        super().__init__(self.text)

    @property
    def text(self) -> str:
        """The reply to `SYSTem:ERRor?`: code and quoted text (SCPI-1999 volume 2, 21.8.2)."""
        text = STANDARD_TEXT.get(self.code, "Device-specific error")
        if self.detail:
            # The standard bounds the string to 255 characters and quotes by doubling.
            text = f"{text};{self.detail}".replace('"', '""')[:255]
        return f'{self.code},"{text}"'

    @property
    def event_bit(self) -> int:
        """The bit of the standard event status register this error sets."""
        if self.code > 0:
            return 0x08
        return _EVENT_BIT_OF_CLASS.get(-self.code // 100, 0)


class ErrorQueue:
    """First in, first out; when full the last entry becomes -350 and later ones are lost."""

    def __init__(self, capacity: int = 20) -> None:
        self._capacity = capacity
        self._entries: deque[ScpiError] = deque()

    def __len__(self) -> int:
        return len(self._entries)

    def push(self, error: ScpiError) -> None:
        """Append an error, or mark the overflow (SCPI-1999 volume 2, 21.8.1)."""
        if len(self._entries) < self._capacity:
            self._entries.append(error)
        else:
            self._entries[-1] = ScpiError(-350)

    def pop(self) -> str:
        """The oldest error as text; `0,"No error"` when there is none."""
        if self._entries:
            return self._entries.popleft().text
        return '0,"No error"'

    def drain(self) -> str:
        """All errors, oldest first, comma separated; `0,"No error"` when there is none."""
        texts = [entry.text for entry in self._entries]
        self._entries.clear()
        return ",".join(texts) if texts else '0,"No error"'

    def texts(self) -> list[str]:
        """What waits in the queue, without taking it."""
        return [entry.text for entry in self._entries]

    def clear(self) -> None:
        """Forget every entry, as `*CLS` does."""
        self._entries.clear()
