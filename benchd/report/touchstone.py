"""Touchstone 1 files of one-port data (Touchstone File Format Specification, Rev. 1.1, EIA/IBIS
Open Forum, 2003): comment lines with "!", one option line, then frequency and S11.

A complex ratio is written as real and imaginary part. A scalar bench measures no phase: its return
loss is written as a magnitude in dB with the angle 0, and the file says so in its comments.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from benchd.curves import Curve
from benchd.errors import UserError
from benchd.traces import FloatArray, Form, Trace

REFERENCE_OHM = 50.0
NO_PHASE = (
    "Scalar measurement: only the magnitude was measured.",
    "The angle column is 0 by convention and carries no information.",
)


def touchstone_of_trace(
    trace: Trace, comments: Iterable[str] = (), *, reference_ohm: float = REFERENCE_OHM
) -> str:
    """A complex reflection trace as the text of an .s1p file.

    Raises UserError for a trace in dB or dBm, which is not a complex ratio.
    """
    if trace.form is not Form.RATIO_COMPLEX:
        unit = "dBm" if trace.form is Form.LEVEL_DBM else "dB"
        raise UserError(
            f'the trace "{trace.name}" holds values in {unit}, not a complex ratio, so it has no '
            "Touchstone form.",
            advice="Export the job instead: its normalised return loss can be written so.",
        )
    return _text(
        "RI", reference_ohm, comments, trace.frequency_hz,
        np.real(trace.values), np.imag(trace.values),
    )  # fmt: skip


def touchstone_of_return_loss(
    reduced: Curve, comments: Iterable[str] = (), *, reference_ohm: float = REFERENCE_OHM
) -> str:
    """Normalised return loss (dB, positive) as the text of an .s1p file: S11 in dB is its negative.

    Raises UserError for another quantity.
    """
    if reduced.quantity != "return_loss":
        raise UserError(
            f'"{reduced.quantity}" is not a reflection, so it has no one-port Touchstone form.',
            advice="Export it as csv or json.",
        )
    return _text(
        "DB", reference_ohm, (*comments, *NO_PHASE), reduced.frequency_hz,
        0.0 - reduced.values, np.zeros_like(reduced.values),
    )  # fmt: skip


def _text(
    form: str,
    reference_ohm: float,
    comments: Iterable[str],
    frequency_hz: FloatArray,
    first: FloatArray,
    second: FloatArray,
) -> str:
    usable = np.isfinite(first) & np.isfinite(second)
    lines = [f"! {_comment(text)}" for text in comments]
    if not usable.all():
        lines.append(f"! {int((~usable).sum())} points without a finite value are left out.")
    lines.append(f"# HZ S {form} R {reference_ohm:g}")
    lines += [
        f"{f!r} {a!r} {b!r}"
        for f, a, b in zip(
            frequency_hz[usable].tolist(), first[usable].tolist(), second[usable].tolist(),
            strict=True,
        )
    ]  # fmt: skip
    return "\n".join(lines) + "\n"


def _comment(text: str) -> str:
    # The format is 7-bit ASCII, and a comment ends with its line.
    return " ".join(text.split()).encode("ascii", "replace").decode("ascii")
