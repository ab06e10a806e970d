"""The addresses of the queue: what waits and when it would run, and changing the order."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import FastAPI, Path
from pydantic import Field, model_validator
from starlette.responses import Response

from benchd.engine.desk import BenchDesk
from benchd.recipe import render_worksheet
from benchd.web.bodies import Body, Identifier, JobBody
from benchd.web.failures import json_response

PLACES = ("before", "place", "priority")


class MoveBody(Body):
    """Where a waiting job is to stand; one of the three.

    before: the waiting job that it shall run right before. place: first or last of all.
    priority: its own priority; jobs with a higher one run first.
    """

    before: Identifier | None = None
    place: Literal["first", "last"] | None = None
    priority: int | None = Field(default=None, ge=-100, le=100, strict=True)

    @model_validator(mode="after")
    def _one(self) -> MoveBody:
        if sum(getattr(self, name) is not None for name in PLACES) != 1:
            raise ValueError('give one of "before", "place" and "priority"')
        return self


def add_waiting(app: FastAPI, desk: BenchDesk) -> None:
    """Serve them."""

    @app.get("/api/queue")
    async def queue() -> Response:
        """The waiting jobs in their order, and when each would run by expected times."""
        return json_response(await desk.waiting_line())

    @app.post("/api/rehearse")
    async def rehearse(body: JobBody) -> Response:
        """The queue as if this job stood in it, and its worksheet; nothing is queued."""
        found = await desk.waiting_line(body.source, body.arguments, body.request)
        return json_response({**found, "text": render_worksheet(found["worksheet"])})

    @app.post("/api/jobs/{job_id}/move")
    async def move(job_id: Annotated[Identifier, Path()], body: MoveBody) -> Response:
        """Put a waiting job at another place. Answers as GET /api/queue does."""
        if body.priority is not None:
            await desk.line.set_priority(job_id, body.priority)
        elif body.place == "first":
            await desk.line.move_first(job_id)
        else:
            await desk.line.move(job_id, body.before)
        return json_response(await desk.waiting_line())
