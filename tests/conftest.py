"""Generated examples are the same in every run, so that a verdict is the code's and not chance's.

`BENCHD_SEARCH=30 make test` looks for new ones instead, thirty times as many.
"""

from hypothesis import settings

from tests.generated import SEARCH

settings.register_profile("benchd", derandomize=SEARCH == 0)
settings.load_profile("benchd")
