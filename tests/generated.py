"""How many examples a property is held against."""

import os

SEARCH = int(os.environ.get("BENCHD_SEARCH", "0"))


def many(usual: int) -> int:
    """As many as usual, or a multiple of it while searching."""
    return usual * max(SEARCH, 1)
