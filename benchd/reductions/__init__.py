"""One file per kind of reduction: from the bench and its captures to `benchd.reduce` and back."""

from collections.abc import Callable

from benchd.known.captures import Sources
from benchd.reductions.absolute_gain import reduce_three_antennas, reduce_two_identical
from benchd.reductions.comparison import reduce_comparison
from benchd.reductions.coupler import reduce_coupler
from benchd.reductions.drift import reduce_drift
from benchd.reductions.gain import reduce_gain
from benchd.reductions.leakage import reduce_leakage
from benchd.reductions.outcome import Outcome
from benchd.reductions.reflection import reduce_reflection
from benchd.reductions.reflectivity import reduce_reflectivity
from benchd.reductions.repeatability import reduce_repeatability
from benchd.reductions.revision_comparison import reduce_revision_comparison
from benchd.reductions.stillness import reduce_stillness
from benchd.worksheet import ReduceStep

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
