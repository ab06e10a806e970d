"""The addresses of the live look.

RF is on while at least one viewer says "here"; reading the stream does not count. So the stream may
be read by anything, and a viewer that hangs is noticed although its connection stands.
"""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import FastAPI, Query
from pydantic import Field, StringConstraints
from starlette.responses import Response

from benchd.engine.desk import BenchDesk
from benchd.engine.livelook.keeping import Kept
from benchd.engine.livelook.plan import LivePlan
from benchd.engine.livelook.ticks import LARGEST_TICK
from benchd.recipe import render_worksheet
from benchd.web.bodies import MOST_ARGUMENTS, Argument, Body, Name
from benchd.web.documents import encode
from benchd.web.events import Streams
from benchd.web.failures import json_response

Viewer = Annotated[str, StringConstraints(pattern=r"^viewer-[0-9a-f]{32}$")]
Digest = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
Tick = Annotated[int, Field(ge=0, le=LARGEST_TICK, strict=True)]


class PrepareBody(Body):
    """What to look at, and how.

    what: an antenna or a route, by name. arguments: antenna, route, position, centre, span, points,
        level, show, lid, max_age and time, as text with units.
    """

    what: Name | None = None
    arguments: dict[Name, Argument] = Field(default_factory=dict, max_length=MOST_ARGUMENTS)


class StartBody(Body):
    """worksheet: the hash that `prepare` answered; who starts has read that worksheet.

    seen: the tick that `/api/live/tick` told just before; silence counts from then.
    """

    worksheet: Digest
    seen: Tick | None = None


class JoinBody(Body):
    """seen: as in StartBody."""

    seen: Tick | None = None


class ViewerBody(Body):
    """viewer: the id that start or join answered.

    seen: the newest `tick` that this viewer was told, by an answer or by the stream; its silence
        counts from then, however late this is read. Without it, silence counts from the answer
        before, so wait for each answer and say this every 3 s or sooner.
    """

    viewer: Viewer
    seen: Tick | None = None


class KeepBody(Body):
    """sweep: the number of the sweep to keep; without it, the newest."""

    sweep: int | None = Field(default=None, ge=1, strict=True)


def plan_document(plan: LivePlan) -> dict[str, Any]:
    """What `prepare` answers: the worksheet, its hash, and the worksheet in words."""
    return {
        "hash": plan.digest,
        "shown": plan.shown,
        "worksheet": encode(plan.worksheet),
        "text": render_worksheet(plan.worksheet),
        "baselines": [one.id for one in plan.baselines],
        "sweep_s": plan.step.expected_s,
        "for_s": plan.for_s,
    }


def kept_document(kept: Kept) -> dict[str, Any]:
    """What `keep` answers: ids of job and capture, how the job ended, and the results."""
    job = kept.job
    return {
        "job": job.id,
        "capture": kept.capture.id,
        "state": job.state.value,
        "message": job.message,
        "results": [encode(record) for record in kept.results],
    }


def add_live(app: FastAPI, desk: BenchDesk, streams: Streams) -> None:
    """Enter the addresses below /api/live."""

    @app.post("/api/live/prepare")
    async def prepare(body: PrepareBody) -> Response:
        """The worksheet of a live look; nothing is switched on."""
        return json_response(plan_document(await desk.looks.prepare(body.what, body.arguments)))

    @app.post("/api/live")
    async def start(body: StartBody) -> Response:
        """Start the live look that was prepared. 201 with the look and its first viewer's id."""
        viewer = await desk.looks.start(body.worksheet, body.seen)
        return json_response({**desk.looks.document(), "viewer": viewer}, 201)

    @app.get("/api/live")
    async def live() -> Response:
        """The live look as it is: none, starting, on or ended."""
        return json_response(desk.looks.document())

    @app.delete("/api/live")
    async def leave(viewer: Annotated[Viewer | None, Query()] = None) -> Response:
        """A viewer leaves, and RF goes off with the last one. Without `viewer`: end it for all."""
        looks = desk.looks
        return json_response(looks.end() if viewer is None else looks.leave(viewer))

    @app.post("/api/live/join")
    async def join(body: JoinBody | None = None) -> Response:
        """One more viewer of the look that is on. 201 with the look and the viewer's id."""
        viewer = desk.looks.join(None if body is None else body.seen)
        return json_response({**desk.looks.document(), "viewer": viewer}, 201)

    @app.post("/api/live/here")
    async def here(body: ViewerBody) -> Response:
        """This viewer still looks; say so every few seconds. Silent for 10 s, it has gone. Answers
        the next tick to tell back."""
        return json_response(desk.looks.here(body.viewer, body.seen))

    @app.get("/api/live/tick")
    async def tick() -> Response:
        """A reading of the daemon's clock, ms. Whoever starts or joins a look tells it back, so
        that an order which lay about somewhere does not count as fresh."""
        return json_response({"tick": desk.looks.tick()})

    @app.post("/api/live/renew")
    async def renew() -> Response:
        """The whole time again from now on. For a person to ask, not for a program."""
        return json_response(desk.looks.renew())

    @app.post("/api/live/keep")
    async def keep(body: KeepBody) -> Response:
        """Store a sweep as a capture with its results. 201 when it is on the disk."""
        return json_response(kept_document(await desk.looks.keep(body.sweep)), 201)

    @app.get("/api/live/stream")
    async def stream() -> Response:
        """The look's sweeps as server-sent events: look, sweep, kept and ended. None is sent twice,
        and who reads too slowly misses some."""
        return streams.open_live()
