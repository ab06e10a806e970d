"""The formats that `benchd export` writes."""

from __future__ import annotations

from enum import StrEnum


class Format(StrEnum):
    """What `export` writes."""

    CSV = "csv"
    JSON = "json"
    TOUCHSTONE = "touchstone"


ENDINGS = {Format.CSV: ".csv", Format.JSON: ".json", Format.TOUCHSTONE: ".s1p"}
