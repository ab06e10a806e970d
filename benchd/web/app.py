"""The addresses of the API and what each asks of the desk."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Annotated, Any

from fastapi import FastAPI, Header, Path, Query, Request
from fastapi.concurrency import run_in_threadpool
from starlette.responses import Response

from benchd import __version__
from benchd.curves import Curve
from benchd.engine.desk import BenchDesk
from benchd.reduce.uncertainty import improve_first, shares
from benchd.results import ResultRecord
from benchd.store import JobRow, JobState
from benchd.traces import Role, Trace
from benchd.web.bodies import AntennaBody, Identifier, JobBody, Name, PlainWhole, RecipeBody
from benchd.web.documents import encode, encode_curves, encode_trace, to_text
from benchd.web.events import Streams, last_seen
from benchd.web.failures import add_handlers, json_response
from benchd.web.latest import latest
from benchd.web.live import add_live
from benchd.web.page import PageFiles, add_page, wants_page
from benchd.web.past import add_lookback
from benchd.web.result_texts import ResultTexts
from benchd.web.trim_routes import add_trim
from benchd.web.waiting import add_waiting

MOST_ROWS = 10_000
MOST_SAID_OF_DAMAGE = 2000

Id = Annotated[Identifier, Path()]
Limit = Annotated[int, PlainWhole, Query(ge=1, le=MOST_ROWS)]
Filter = Annotated[Name | None, Query()]


def create_app(desk: BenchDesk, streams: Streams) -> FastAPI:
    """The API over one desk. Put it behind `guard.Guard` before it meets a network."""
    app = FastAPI(
        title="benchd",
        version=__version__,
        openapi_url="/api/openapi.json",
        docs_url=None,  # those pages would load scripts from elsewhere
        redoc_url=None,
        redirect_slashes=False,
    )
    add_handlers(app)
    _add_jobs(app, desk)
    _add_job_answers(app, desk)
    _add_readings(app, desk)
    _add_captures(app, desk)
    add_lookback(app, desk)
    add_live(app, desk, streams)
    add_trim(app, desk)
    add_waiting(app, desk)
    files = PageFiles()
    add_page(app, files)

    @app.get("/api/events")
    async def events(
        last_event_id: Annotated[str | None, Header()] = None,
        after: Annotated[str | None, Query()] = None,
    ) -> Response:
        """All changes as server-sent events."""
        return streams.open(last_seen(last_event_id, after))

    @app.get("/")
    async def addresses(request: Request) -> Response:
        """The page for a browser; for others a list of what there is to ask for."""
        if wants_page(request.headers.get("accept", "")):
            return await run_in_threadpool(files.answer, "index.html", request)
        paths = app.openapi()["paths"]
        listed = sorted(
            f"{method.upper()} {path}" for path, methods in paths.items() for method in methods
        )
        return json_response({"name": "benchd", "version": __version__, "addresses": listed})

    return app


async def large_response(value: Any) -> Response:
    """As `json_response`, worked out on a thread: ten thousand rows take seconds to write."""
    return await run_in_threadpool(json_response, value)


def job_document(row: JobRow) -> dict[str, Any]:
    """A job with how far it is, 0 to 1, counted in steps.

    `serial` and `batch` stand there only for a job that was queued for a serial number.
    """
    document = {**encode(row), "progress": row.progress}
    own = {name for name in ("serial", "batch") if document[name] is None}
    return {key: value for key, value in document.items() if key not in own}


def result_document(record: ResultRecord) -> dict[str, Any]:
    """A result, its budget's terms largest first, `share` of the variance beside each.

    `improve_first` says in one sentence what to work on; empty for a result without a budget.
    """
    document: dict[str, Any] = encode(record)
    budget = record.result.budget
    if budget is not None:
        document["result"]["budget"]["terms"] = [
            {**encode(line), "share": encode(share)} for line, share in shares(budget)
        ]
    advice = "" if budget is None else improve_first(budget, record.result.unit)
    return {**document, "improve_first": advice}


async def list_response(
    value: Any, desk: BenchDesk, write: Callable[[Any], str] = to_text
) -> Response:
    """As `large_response`; a header names damaged rows that the list had to leave out."""
    text = await run_in_threadpool(write, value)
    response = Response(text, media_type="application/json")
    damaged = "; ".join(desk.damage())
    if damaged:
        plain = "".join(one if " " <= one <= "~" else "?" for one in damaged)
        response.headers["x-benchd-damaged"] = plain[:MOST_SAID_OF_DAMAGE]
    return response


def _traces(traces: Iterable[Trace]) -> Response:
    return json_response([encode_trace(trace) for trace in traces])


def _curves(curves: Iterable[Curve]) -> Response:
    return json_response(encode_curves(curves))


def _add_jobs(app: FastAPI, desk: BenchDesk) -> None:
    @app.post("/api/jobs")
    async def queue(body: JobBody) -> Response:
        """Queue a recipe. 201 with the job."""
        row = await desk.queue(body.source, body.arguments, body.request)
        return json_response(job_document(row), 201, {"location": f"/api/jobs/{row.id}"})

    @app.post("/api/check")
    async def check(body: RecipeBody) -> Response:
        """The worksheet that a recipe would become; nothing is queued."""
        return await large_response(await desk.check(body.source, body.arguments))

    @app.get("/api/jobs")
    async def jobs(
        state: Annotated[list[JobState] | None, Query(max_length=10)] = None, limit: Limit = 100
    ) -> Response:
        """Jobs, newest first; `state` may be given more than once."""
        rows = await desk.jobs(states=state, limit=limit)
        return await list_response([job_document(row) for row in rows], desk)

    @app.get("/api/jobs/{job_id}")
    async def job(job_id: Id) -> Response:
        """One job."""
        return json_response(job_document(await desk.job(job_id)))


def _add_job_answers(app: FastAPI, desk: BenchDesk) -> None:
    @app.get("/api/jobs/{job_id}/worksheet")
    async def worksheet(job_id: Id) -> Response:
        """What the job does, step by step."""
        return await large_response(await desk.worksheet(job_id))

    @app.get("/api/jobs/{job_id}/verdicts")
    async def verdicts(job_id: Id) -> Response:
        """How the job's results stand against its limits."""
        return await list_response(await desk.verdicts(job_id), desk)

    @app.get("/api/jobs/{job_id}/qualification")
    async def qualification(job_id: Id) -> Response:
        """What had been measured of the bench itself and was in force for the job."""
        return await large_response(await desk.past.qualification(job_id))

    @app.get("/api/jobs/{job_id}/traces")
    async def reduced_curves(job_id: Id) -> Response:
        """The normalised curves behind the job's results."""
        curves = await desk.reduced_curves(job_id)
        return await run_in_threadpool(_curves, curves)

    @app.post("/api/jobs/{job_id}/ready")
    async def ready(
        job_id: Id, step: Annotated[int | None, PlainWhole, Query(ge=0)] = None
    ) -> Response:
        """A person has done what the job asked for in that step (`hands.step` of the job)."""
        return json_response(job_document(await desk.ready(job_id, step)))

    @app.post("/api/jobs/{job_id}/withdraw")
    async def withdraw(job_id: Id) -> Response:
        """Take a job off the queue, or stop it: RF goes off first."""
        return json_response(job_document(await desk.withdraw(job_id)))

    @app.post("/api/jobs/{job_id}/reduce")
    async def reduce(job_id: Id) -> Response:
        """Reduce the job's stored captures again."""
        return await large_response(await desk.reduce(job_id))


def _add_readings(app: FastAPI, desk: BenchDesk) -> None:
    texts = ResultTexts()

    @app.get("/api/bench")
    async def bench() -> Response:
        """What the bench is, and the time zone that windows are meant and times are shown in."""
        return json_response(await desk.bench())

    @app.get("/api/antennas")
    async def antennas() -> Response:
        """The antennas of the bench file and its registers."""
        return json_response(await desk.antennas())

    @app.post("/api/antennas")
    async def add_antenna(body: AntennaBody) -> Response:
        """Add an antenna, or a revision of one, to the register. 201 with the antenna."""
        found = await desk.add_antenna(body.name, body.start, body.changes)
        return json_response(found, 201)

    @app.get("/api/instruments")
    async def instruments(ask: bool = False) -> Response:
        """The bench's instruments and how they are; with `ask`, each is asked first."""
        return json_response(await desk.instruments(ask=ask))

    @app.post("/api/instruments/test")
    async def test_instrument(name: Annotated[Name, Query()]) -> Response:
        """Try which commands one instrument takes, one by one and with RF off, while no job runs.

        It answers when that is done: an instrument that ignores what it does not know makes each
        of those wait for its `timeout`.
        """
        return json_response(await desk.test_instrument(name))

    @app.get("/api/results")
    async def results(
        job: Filter = None, quantity: Filter = None, antenna: Filter = None, limit: Limit = 1000
    ) -> Response:
        """Results with their budgets and provenance."""
        found = await desk.results(job_id=job, quantity=quantity, antenna=antenna, limit=limit)
        return await list_response(found, desk, texts.listed)

    @app.get("/api/latest")
    async def last_jobs(jobs: Annotated[int, PlainWhole, Query(ge=1, le=20)] = 3) -> Response:
        """The jobs that ended last, with what one looks for first of their results, in words."""
        return await large_response(await latest(desk, jobs))

    @app.get("/api/results/{result_id}")
    async def result(result_id: Id) -> Response:
        """One result, its budget with the largest term first, and what to improve first."""
        record = await desk.result(result_id)
        return json_response(result_document(record))

    @app.get("/api/now")
    async def now() -> Response:
        """What runs: job, step, time left, and what its sweep has read so far."""
        found = await desk.under_way()
        job = found["job"]
        return await large_response({**found, "job": job and job_document(job)})

    @app.get("/api/rf")
    async def rf() -> Response:
        """Whether RF is off, who says so, and how long ago, without asking anybody."""
        return json_response(desk.rf())

    @app.get("/api/recipes")
    async def recipes() -> Response:
        """The recipes that can be queued by name."""
        return await large_response(await desk.recipes())

    @app.get("/api/health")
    async def health() -> Response:
        """How the daemon is. 200: let people sleep. 503: wake somebody, `wake` says why."""
        document = await desk.health()
        return json_response(document, 503 if document.get("wake") else 200)


def _add_captures(app: FastAPI, desk: BenchDesk) -> None:
    @app.get("/api/captures")
    async def captures(
        job: Filter = None,
        route: Filter = None,
        role: Annotated[Role | None, Query()] = None,
        antenna: Filter = None,
        limit: Limit = 100,
    ) -> Response:
        """Captures without their traces, newest first."""
        return await list_response(
            await desk.captures(job_id=job, route=route, role=role, antenna=antenna, limit=limit),
            desk,
        )

    @app.get("/api/captures/{capture_id}")
    async def capture(capture_id: Id) -> Response:
        """Everything about one capture but its values."""
        return json_response(await desk.capture(capture_id))

    @app.get("/api/captures/{capture_id}/trace")
    async def trace(capture_id: Id) -> Response:
        """All traces of one capture."""
        found = await desk.capture(capture_id)
        return await run_in_threadpool(_traces, found.traces)
