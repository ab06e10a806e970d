"""Short ids that sort by time: `job-01m4xk2c9p7d3fqz`.

Ten characters of milliseconds since 1970 and six of chance, in lower-case base 32 without
the letters i, l, o and u, which are read wrongly from a screen or a label.
"""

from __future__ import annotations

import secrets
import threading
import time

ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"
_TIME_CHARACTERS = 10
_CHANCE_BITS = 30

_lock = threading.Lock()
_last = 0


def encode(number: int, characters: int) -> str:
    """`number` in base 32, most significant character first."""
    out = []
    for _ in range(characters):
        number, digit = divmod(number, 32)
        out.append(ALPHABET[digit])
    return "".join(reversed(out))


def new_id(prefix: str) -> str:
    """A new id. Ids made one after the other by one process rise strictly, even if the clock
    is set back; ids of different processes differ by chance (30 bits a millisecond)."""
    global _last
    with _lock:
        fresh = (time.time_ns() // 1_000_000) << _CHANCE_BITS | secrets.randbits(_CHANCE_BITS)
        _last = fresh if fresh > _last else _last + 1
        return f"{prefix}-{encode(_last, _TIME_CHARACTERS + _CHANCE_BITS // 5)}"
