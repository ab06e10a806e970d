"""How long to wait before the next attempt to reach a broker."""

from __future__ import annotations

import random
from dataclasses import dataclass, field


@dataclass(slots=True)
class Retry:
    """Exponential backoff with full jitter, so that many clients do not come back together.

    first_s, most_s: range of the upper limit, doubled at each failure in a row.
    refused_s: wait after a refusal that only a person can mend (password, access).
    """

    first_s: float = 0.5
    most_s: float = 30.0
    refused_s: float = 60.0
    random: random.Random = field(default_factory=random.Random)
    _failures: int = 0

    def succeeded(self) -> None:
        """A connection has worked: begin anew."""
        self._failures = 0

    def next_s(self, *, refused: bool) -> float:
        """Seconds to wait after one more failure."""
        if refused:
            return self.refused_s
        limit = min(self.most_s, self.first_s * 2.0 ** min(self._failures, 32))
        self._failures += 1
        return self.random.uniform(0.1 * limit, limit)
