"""Parts of MQTT topics made from names that people chose.

MQTT 3.1.1, sections 4.7.1 to 4.7.3: `/` separates levels, `+` and `#` are wildcards and may not
stand in a topic that is published to, U+0000 is forbidden and control characters should not be
used (1.5.3). These, and `%` itself, are percent-encoded byte by byte in UTF-8 (RFC 3986, 2.1).
A space stays a space: it is allowed, and "dipole r3" is easier to read than "dipole%20r3".
"""

from __future__ import annotations

import unicodedata
from urllib.parse import unquote

_FORBIDDEN = frozenset("/+#%")
EMPTY = "%"  # an empty level is legal in MQTT but is lost by many tools


def encode_part(name: str) -> str:
    """`name` as one level of a topic. Different names give different levels.

    Raises ValueError if the name cannot be written in UTF-8 (half a surrogate pair).
    """
    if not name:
        return EMPTY
    try:
        name.encode()
    except UnicodeEncodeError as error:
        raise ValueError(f"{name!r} cannot be written in UTF-8") from error
    text = "".join(_escape(c) if _must_escape(c) else c for c in name)
    # Topics that start with $ belong to the broker (4.7.2); a part might be put first.
    return "%24" + text[1:] if text.startswith("$") else text


def _must_escape(character: str) -> bool:
    # Cc: control characters. Cn: not assigned, which holds the non-characters U+xFFFE, U+xFFFF.
    return character in _FORBIDDEN or unicodedata.category(character) in ("Cc", "Cn")


def _escape(character: str) -> str:
    return "".join(f"%{byte:02X}" for byte in character.encode())


def decode_part(part: str) -> str:
    """Inverse of `encode_part`."""
    return "" if part == EMPTY else unquote(part, errors="strict")
