"""Results and verdicts out of the daemon's JSON.

The library that checks them is imported when the first of them comes, so that `--help` and the
commands that show neither do not wait for it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchd.results import ResultRecord, Verdict


def decode_records(found: list[Any]) -> list[ResultRecord]:
    """Result records from their JSON form. Raises FormError."""
    from benchd.web import documents

    return documents.decode_records(found)


def decode_verdicts(found: list[Any]) -> list[Verdict]:
    """Verdicts from their JSON form. Raises FormError."""
    from benchd.web import documents

    return documents.decode_verdicts(found)
