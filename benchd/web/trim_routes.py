"""The addresses of trim sessions: begin one, look, say what was taken off, stop."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import FastAPI, Path
from fastapi.concurrency import run_in_threadpool
from starlette.responses import Response

from benchd.engine.desk import BenchDesk
from benchd.store import JobRow
from benchd.web.bodies import CorrectBody, Identifier, LookBody, RemovedBody, TrimBody
from benchd.web.documents import encode
from benchd.web.failures import json_response

Id = Annotated[Identifier, Path()]


def add_trim(app: FastAPI, desk: BenchDesk) -> None:
    """Enter the addresses. A session is a job: withdraw, events and results are those of jobs."""

    @app.post("/api/trim")
    async def begin(body: TrimBody) -> Response:
        """Queue a trim session of an antenna. 201 with its job.

        Stored open and short are used where they fit the sweep and are fresh enough; else the
        session begins with taking them.
        """
        row = await desk.begin_trim(body.wanted, body.request)
        return json_response(_job(row), 201, {"location": f"/api/jobs/{row.id}/trim"})

    @app.post("/api/trim/check")
    async def check(body: TrimBody) -> Response:
        """The worksheet that the session would become; nothing is queued."""
        return await run_in_threadpool(json_response, await desk.check_trim(body.wanted))

    @app.get("/api/trim")
    async def sessions() -> Response:
        """The trim sessions that there have been, as jobs, newest first."""
        return json_response([_job(row) for row in await desk.trim.sessions()])

    @app.get("/api/jobs/{job_id}/trim")
    async def session(job_id: Id) -> Response:
        """A session: what it asks for, and each look with its curve and results.

        `hands` holds the request that stands, and `hands.look` how it is started (`button`, `lid`).
        Of each look: `removed_m` (off each arm since the look before; null where unknown),
        `earlier_removed_m` (what was said before a correction), `frequency_hz` and
        `return_loss_db`, and `results` by quantity, without budgets:
        `resonance_frequency`, `resonance_frequency_difference` (since the first look), `trim_rate`
        (length for each hertz), and `trim_per_arm` (what is left), whose `next_cut_m` says how
        much to take off now and whose `state` is `cut`, `stop` or `too-short`.
        """
        document = await desk.trim.document(job_id)
        return await run_in_threadpool(json_response, document)

    @app.post("/api/jobs/{job_id}/look")
    async def look(job_id: Id, body: LookBody) -> Response:
        """Answer the request: hands and tool are out, the box is closed, RF may come on for a look.

        With `removed_mm`, what was taken off each arm since the last look. It is in the store
        before this is answered.
        """
        row = await desk.ready(job_id, body.step, until=body.until, removed_m=body.removed_m)
        return json_response(_job(row))

    @app.post("/api/jobs/{job_id}/removed")
    async def removed(job_id: Id, body: RemovedBody) -> Response:
        """Note what was taken off for the look that is asked for; no look is started by this."""
        row = await desk.trim.note_removed(job_id, body.removed_mm * 1e-3, body.step)
        return json_response(_job(row))

    @app.post("/api/jobs/{job_id}/correct")
    async def correct(job_id: Id, body: CorrectBody) -> Response:
        """Correct what was said to be taken off before a look, while the session has not ended.

        That look and those after it are reduced again, and the advice with them. What was said
        before is kept, and told as `earlier_removed_m` of the look.
        """
        row = await desk.trim.correct_removed(job_id, body.look, body.removed_mm * 1e-3)
        return json_response(_job(row))

    @app.post("/api/jobs/{job_id}/stop")
    async def stop(job_id: Id) -> Response:
        """End the session as done: RF goes off first, its looks are kept."""
        return json_response(_job(await desk.stop(job_id)))


def _job(row: JobRow) -> dict[str, Any]:
    return {**encode(row), "progress": row.progress}
