"""One file per kind of reduction: from the bench and its captures to `benchd.reduce` and back."""

from collections.abc import Callable

from benchd.engine.gathering import Sources
from benchd.engine.reductions.gain import reduce_gain
from benchd.engine.reductions.outcome import Outcome
from benchd.engine.reductions.reflection import reduce_reflection
from benchd.recipe.worksheet import ReduceStep

REDUCTIONS: dict[str, Callable[[Sources, ReduceStep], Outcome]] = {
    "gain": reduce_gain,
    "reflection": reduce_reflection,
}
