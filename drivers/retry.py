"""How long to wait before the next attempt at something that failed: longer after each failure.

The same rule holds for a broker, the store, a sweep whose link was lost, and a link that is opened
again. What is asked at fixed intervals (whether RF is off, whether a window has opened) is no retry
and does not use it.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field


@dataclass(slots=True)
class Retry:
    """Waits that grow from `first_s` to `most_s`, `factor` times at each failure in a row.

    tries: the number of failures in a row after which to give up; None for never.
    jitter: draw each wait at random between a tenth of it and the whole, so that many clients do
        not come back at the same time. It is of no use where there is only one client.
    refused_s: wait after a refusal that only a person can mend (password, access).
    """

    first_s: float = 0.5
    most_s: float = 30.0
    refused_s: float = 60.0
    random: random.Random = field(default_factory=random.Random)
    factor: float = 2.0
    tries: int | None = None
    jitter: bool = True
    failures: int = 0

    def succeeded(self) -> None:
        """The attempt has worked: begin again with the first wait."""
        self.failures = 0

    @property
    def spent(self) -> bool:
        """Whether it has failed as often as it may be tried again."""
        return self.tries is not None and self.failures >= self.tries

    def next_s(self, *, refused: bool = False) -> float:
        """Seconds to wait after one more failure."""
        if refused:
            return self.refused_s
        limit = min(self.most_s, self.first_s * self.factor ** min(self.failures, 32))
        self.failures += 1
        return self.random.uniform(0.1 * limit, limit) if self.jitter else limit
