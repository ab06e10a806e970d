"""Interpolating in time: a level between two captures of it, a baseline between two baselines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchd.errors import NormalisationRefused
from benchd.known.carrier_levels import carrier_trace
from benchd.reduce.budget_inputs import Known
from benchd.reduce.normalise import between, onto_grid
from benchd.traces import Capture, FloatArray, Form, Trace


@dataclass(frozen=True, eq=False)
class Followed:
    """A level at the time of another capture.

    level_dbm: shape (n,). drift: half-width (dB) of the change that a straight line through time
    may miss, from the difference of the two ends. None if the time lies outside them, so that
    nothing was interpolated.
    """

    level_dbm: FloatArray
    drift: Known | None


def seconds(capture: Capture) -> float:
    """When the capture was taken, s since 1970."""
    return capture.taken_at.timestamp()


def follow(captures: Sequence[tuple[Capture, FloatArray]], at_s: float) -> Followed:
    """The level at one time, by a straight line between the captures just before and after.

    captures: each with its level on one grid, shape (n,), dBm. In a series reference, test,
    reference this cancels a drift that is linear in time, whatever the spacing. A plain mean of
    the references would cancel it only for a test exactly in the middle. For a time before or
    after all captures, their mean is given. The drift is one number for all frequencies, since
    source and analyzer shift a whole trace at once. It is the root mean square over the trace,
    which averages the noise.
    """
    rows = sorted(captures, key=lambda row: seconds(row[0]))
    before = [row for row in rows if seconds(row[0]) <= at_s]
    after = [row for row in rows if seconds(row[0]) > at_s]
    if not before or not after:
        return Followed(np.asarray(np.mean([level for _, level in rows], axis=0)), None)
    first, last = before[-1], after[0]
    bracket = between(seconds(first[0]), first[1], seconds(last[0]), last[1], at_s)
    return Followed(bracket.level_db, Known(rms_db(bracket.leftover_db)))


def rms_db(values_db: FloatArray) -> float:
    """Root mean square over a trace, dB."""
    return float(np.sqrt(np.mean(np.square(values_db))))


def baseline_between(opening: Capture, closing: Capture, test: Capture) -> tuple[Trace, Known]:
    """The baseline at the time of `test`, and the half-width of the drift that may be left.

    Bins that a `hold` sweep missed, in either, are left out.
    Raises NormalisationRefused where the capture does not lie between the two.
    """
    first, last = carrier_trace(opening), carrier_trace(closing)
    if first.form is not Form.LEVEL_DBM or last.form is not Form.LEVEL_DBM:
        raise NormalisationRefused(
            [f"form: baselines of the form {first.form.value} are not interpolated in time"],
            advice="Leave the closing baseline out.",
        )
    closing_db = onto_grid(last.frequency_hz, last.decibels, first.frequency_hz)
    opening_db = first.decibels
    bracket = between(seconds(opening), opening_db, seconds(closing), closing_db, seconds(test))
    masks = [one.visited for one in (first, last) if one.visited is not None]
    visited = np.logical_and.reduce(masks) if masks else None
    trace = Trace(first.name, first.form, first.frequency_hz, bracket.level_db, visited)
    seen = bracket.leftover_db if visited is None else bracket.leftover_db[visited]
    return trace, Known(rms_db(seen))
