"""Addresses for looking back: stories of antennas, comparisons, traces to draw, and the bench."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import FastAPI, Path, Query
from fastapi.concurrency import run_in_threadpool
from starlette.responses import Response

from benchd.engine.desk import BenchDesk
from benchd.reduce.ranking import Ranked, ranked
from benchd.results import Result, ResultRecord
from benchd.web.bodies import Identifier, Name, PlainWhole
from benchd.web.documents import encode, encode_curves, encode_trace
from benchd.web.failures import json_response
from benchd.wording import quantity_words, result_text, where_words

MOST_DRAWN = 20_000
"""Points of a trace for a plot, at most: two for each pixel of the widest screen, and then some."""

Id = Annotated[Identifier, Path()]
Filter = Annotated[Name | None, Query()]
Hertz = Annotated[float | None, Query(ge=0.0, le=1e15, allow_inf_nan=False)]

_TO_DO = (
    ("noise", "Measure with more level, a narrower bandwidth or a longer dwell."),
    ("box", "Queue the recipe reflectivity, or measure over several places (gain-over-positions)."),
    ("wall", "Queue the recipe reflectivity; a larger box or more absorber makes it less."),
    ("directivity", "Queue the recipe coupler, which measures it, or use a better coupler."),
    ("source match", "Queue the recipe coupler; an attenuator at the port makes it less."),
    ("joint", "Queue the recipe coupler with a load fitted again; clean the connectors."),
    ("connector", "Queue the recipe repeatability; use a torque wrench."),
    ("drift", "Take baselines more often, or before and after (return-loss-between-baselines)."),
    ("linearity", "State what the analyzer's certificate says, or measure at like levels."),
    ("mismatch", "Measure the match of both antennas, or put attenuators at their ports."),
    ("reflection of", "Measure the match of both antennas, or put attenuators at their ports."),
    ("cable and switch", "Queue the recipe repeatability and state what it finds."),
    ("frequency reference", "Give source and analyzer one frequency reference."),
    ("reference", "Have the reference antenna measured better, or use three antennas."),
    ("arm", "Measure the arm's length better."),
)
"""Word in the name of a term -> what makes it smaller (common practice, no source)."""


def add_lookback(app: FastAPI, desk: BenchDesk) -> None:
    """Add the addresses."""
    _add_stories(app, desk)
    _add_comparisons(app, desk)

    @app.get("/api/captures/{capture_id}/curve")
    async def curve(
        capture_id: Id,
        points: Annotated[int, PlainWhole, Query(ge=2, le=MOST_DRAWN)] = 2000,
        from_hz: Hertz = None,
        to_hz: Hertz = None,
    ) -> Response:
        """The level of a capture, thinned for a plot of so many points, whole or a part of it.

        Each stretch keeps its lowest and its highest value. `points_recorded`: of the whole.
        """
        trace, recorded = await desk.past.thinned(
            capture_id, points=points, from_hz=from_hz, to_hz=to_hz
        )
        return await run_in_threadpool(
            lambda: json_response({**encode_trace(trace), "points_recorded": recorded})
        )

    @app.get("/api/bench/state")
    async def bench_state() -> Response:
        """Baselines with age and drift, every qualification, and what to work on next."""
        baselines, qualified, newest = await desk.past.bench_state()
        return await run_in_threadpool(
            lambda: json_response(
                {
                    "baselines": encode(baselines),
                    "qualifications": encode(qualified),
                    "improve": improve_document(newest),
                }
            )
        )


def _add_stories(app: FastAPI, desk: BenchDesk) -> None:
    @app.get("/api/stories")
    async def stories() -> Response:
        """All antennas, with the revisions of one together."""
        return json_response(await desk.past.stories())

    @app.get("/api/antennas/{name:path}/story")
    async def story(name: Annotated[Name, Path()]) -> Response:
        """An antenna's revisions: what was changed, what each was found to be, limits passed."""
        found = await desk.past.story(name)
        return await run_in_threadpool(json_response, found)


def _add_comparisons(app: FastAPI, desk: BenchDesk) -> None:
    @app.get("/api/comparison")
    async def comparison(
        first: Annotated[Name, Query()],
        second: Annotated[Name, Query()],
        first_job: Filter = None,
        second_job: Filter = None,
        quantity: Filter = None,
    ) -> Response:
        """Second less first, of one quantity or of all that can be compared.

        What both share cancels. `refused`: quantities of which nothing could be told, and why.
        Nothing is stored.
        """
        found, refused = await desk.past.comparison(
            first, second, first_job=first_job, second_job=second_job, quantity=quantity
        )
        return json_response(
            {
                "first": first,
                "second": second,
                "differences": [difference_document(one) for one in found],
                "refused": [{"quantity": name, "message": why} for name, why in refused],
            }
        )

    @app.get("/api/comparison/curve")
    async def comparison_curve(
        first: Annotated[Name, Query()],
        second: Annotated[Name, Query()],
        first_job: Filter = None,
        second_job: Filter = None,
    ) -> Response:
        """Return loss of the second less that of the first over frequency, with its interval."""
        found = await desk.past.difference_curve(
            first, second, first_job=first_job, second_job=second_job
        )
        return await run_in_threadpool(lambda: json_response(encode_curves([found])))


def difference_document(result: Result) -> dict[str, Any]:
    """A difference with its words. `sure`: whether its interval leaves zero out."""
    document: dict[str, Any] = encode(result)
    ends = [end for end in (result.low, result.high) if end is not None]
    sure = bool(ends) and (
        (result.low is not None and result.low > 0.0)
        or (result.high is not None and result.high < 0.0)
    )
    return {
        **document,
        "words": quantity_words(result.quantity),
        "text": result_text(result),
        "where": where_words(result),
        "sure": sure,
    }


def improve_document(newest: Sequence[ResultRecord]) -> dict[str, Any]:
    """The sources of uncertainty of the newest results, the weightiest first, each in words.

    `text`: which one to work on, and how. results: number of results looked at.
    """
    rows = ranked(one.result.budget for one in newest if one.result.budget is not None)
    if not rows:
        text = "No stored result of a registered antenna has a budget yet."
        return {"text": text, "results": 0, "terms": []}
    return {
        "text": _sentence(rows[0]),
        "results": rows[0].results,
        "terms": [{**encode(one), "text": _sentence(one)} for one in rows],
    }


def _sentence(one: Ranked) -> str:
    weight = (
        f"{one.name[:1].upper()}{one.name[1:]}: {_percent(one.share)} of the variance on average, "
        f"the largest part in {one.largest_in} of {one.results} results; without it the "
        f"uncertainty would be {_percent(one.left)} of what it is."
    )
    known = " Its size is assumed, so measure it first." if one.assumed else ""
    to_do = next((f" {text}" for word, text in _TO_DO if word in one.name.lower()), "")
    return weight + known + to_do


def _percent(part: float) -> str:
    return f"{100.0 * part:.0f} %"
