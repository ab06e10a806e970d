"""One file per kind of reduction: from the bench and its captures to `benchd.reduce` and back."""

from collections.abc import Callable

from benchd.engine.gathering import Sources
from benchd.engine.reductions.absolute_gain import reduce_three_antennas, reduce_two_identical
from benchd.engine.reductions.comparison import reduce_comparison
from benchd.engine.reductions.coupler import reduce_coupler
from benchd.engine.reductions.drift import reduce_drift
from benchd.engine.reductions.gain import reduce_gain
from benchd.engine.reductions.leakage import reduce_leakage
from benchd.engine.reductions.outcome import Outcome
from benchd.engine.reductions.reflection import reduce_reflection
from benchd.engine.reductions.reflectivity import reduce_reflectivity
from benchd.engine.reductions.repeatability import reduce_repeatability
from benchd.engine.reductions.revision_comparison import reduce_revision_comparison
from benchd.engine.reductions.stillness import reduce_stillness
from benchd.recipe.worksheet import ReduceStep

REDUCTIONS: dict[str, Callable[[Sources, ReduceStep], Outcome]] = {
    "gain": reduce_gain,
    "gain-three-antennas": reduce_three_antennas,
    "gain-two-identical": reduce_two_identical,
    "comparison": reduce_comparison,
    "coupler": reduce_coupler,
    "drift": reduce_drift,
    "leakage": reduce_leakage,
    "reflectivity": reduce_reflectivity,
    "repeatability": reduce_repeatability,
    "stillness": reduce_stillness,
    "reflection": reduce_reflection,
    "revision-comparison": reduce_revision_comparison,
}
