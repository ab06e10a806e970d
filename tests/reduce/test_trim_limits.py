"""What limits a trim, in words."""

from __future__ import annotations

from benchd.reduce.trim_limits import limit_words
from benchd.reduce.uncertainty import combine, term


def test_the_largest_term_is_named_with_what_would_get_closer() -> None:
    resonance = combine(
        (term("directivity", 3e6, "Hz", assumed=True), term("noise", 1e6, "Hz")), estimate=1.7e9
    )
    by_bench = (term("resonance", 0.1e-3, "m"), term("arm length", 0.05e-3, "m"))
    assert limit_words(by_bench, resonance) == (
        "What limits it most is the directivity (of assumed size); a coupler of better "
        "directivity, or its directivity measured, would get closer: benchd queue coupler."
    )
    by_law = (term("resonance", 0.01e-3, "m"), term("scaling with 1/f", 0.05e-3, "m"))
    assert "after a small cut whose length you type" in limit_words(by_law, resonance)
    assert limit_words((term("noise", 0.0, "m"),), resonance) == ""
