"""What `--json` prints: documents that came as JSON from the daemon.

Own module, so that a command that prints them does not wait for the libraries that turn captures
and results into JSON (`benchd.web.documents`).
"""

from __future__ import annotations

import json
from typing import Any


def to_text(document: Any, *, indent: int | None = None) -> str:
    """A document of plain JSON values as text. Raises TypeError for anything else."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=indent)
