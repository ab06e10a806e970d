"""Following jobs to their end: events in, a picture of each job out. Draws nothing itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Protocol

from benchd.cli.client import Daemon
from benchd.cli.decoding import decode_records
from benchd.cli.rf import RF_SHOUT, is_in_doubt, rf_lines
from benchd.cli.screen import failure_words
from benchd.jobstates import ENDED, UNDER_WAY, JobState
from benchd.results import Result

LEAST_STEP_S = 0.05  # steps that take no time still move the bar


@dataclass
class JobPicture:
    """One job as far as it is known.

    step: the step at hand, from 0.
    weights_s: expected time of each step; what a bar is divided by.
    labels: what each step does, in a few words.
    done_in_step: 0 to 1 within the present step.
    not_before: when the job may begin, as the API tells it; None where nothing is set.
    asked: the requests that were shown. An event from before the job was read may take it back for
        a moment, and it is not to be shown again then.
    """

    id: str
    recipe: str
    state: str
    step: int
    weights_s: list[float]
    labels: Sequence[str] = ()
    message: str = ""
    done_in_step: float = 0.0
    not_before: str | None = None
    hands: dict[str, Any] | None = None
    results_seen: set[str] = field(default_factory=set)
    asked: set[tuple[Any, ...]] = field(default_factory=set)

    @property
    def ended(self) -> bool:
        """True where nothing more will come."""
        return self.state in ENDED

    @property
    def label(self) -> str:
        """What the step at hand does; empty where there is none."""
        return self.labels[self.step] if self.step < len(self.labels) else ""

    @property
    def fraction(self) -> float:
        """How much of the expected time lies behind, 0 to 1."""
        if self.state == "done":
            return 1.0
        whole = sum(self.weights_s)
        if not whole:
            return 0.0
        step = min(self.step, len(self.weights_s))
        here = self.weights_s[step] if step < len(self.weights_s) else 0.0
        return (sum(self.weights_s[:step]) + here * self.done_in_step) / whole

    @property
    def left_s(self) -> float:
        """Expected time that is left, without a person's."""
        return (1.0 - self.fraction) * sum(self.weights_s)


class View(Protocol):
    """Where pictures are shown."""

    def show(self, job: JobPicture) -> None:
        """The job changed."""

    def ask(self, job: JobPicture) -> None:
        """The job asks for a person, for the first time."""

    def result(self, job: JobPicture, result: Result) -> None:
        """A result came in."""

    def say(self, text: str) -> None:
        """Something about the bench, such as a lost link."""

    def shout(self, text: str) -> None:
        """Something that must not be overlooked: RF may be on."""


def picture(daemon: Daemon, job_id: str) -> JobPicture:
    """The job as it is now."""
    job = daemon.get(f"/api/jobs/{job_id}")
    steps = daemon.get(f"/api/jobs/{job_id}/worksheet")["steps"]
    made = JobPicture(
        id=job["id"],
        recipe=job["recipe"],
        state=job["state"],
        step=job["step_index"],
        weights_s=[max(float(step["expected_s"]), LEAST_STEP_S) for step in steps],
        labels=[str(step["label"]) for step in steps],
        not_before=job.get("not_before"),
    )
    _take_state(made, job)
    return made


def _take_state(job: JobPicture, document: dict[str, Any]) -> None:
    """The job's state and words. The step of a running job comes with its own event alone: the
    job as it reads now may be a step further than the event that led here."""
    job.state = document["state"]
    if job.state == "waiting":
        job.step, job.done_in_step = document["step_index"], 0.0  # it may begin again
        job.asked.clear()
    job.message = failure_words(document.get("error")) or str(document["message"])
    job.hands = document.get("hands") if job.state == "needs-hands" else None


def follow(daemon: Daemon, job_ids: Sequence[str], view: View) -> list[JobPicture]:
    """Watch jobs until all have ended; returns how they ended."""
    jobs: dict[str, JobPicture] = {}
    for event in daemon.events():
        if event.kind == "begin":
            _say_doubt(daemon, view)
            for job_id in job_ids:
                _begin(daemon, jobs, job_id, view)
        elif event.kind in ("link", "remark") or (event.kind == "rf" and event.data.get("off")):
            view.say(str(event.data.get("message", "")))
        elif event.kind == "rf":
            for line in (RF_SHOUT, str(event.data.get("message", ""))):
                view.shout(line)
        elif (job := jobs.get(str(event.data.get("job")))) is not None:
            _TAKE.get(event.kind, _ignore)(daemon, job, view, event.data)
        if jobs and all(job.ended for job in jobs.values()):
            return list(jobs.values())
    return list(jobs.values())


def _say_doubt(daemon: Daemon, view: View) -> None:
    """RF that was in doubt before the watch began is seen first; changes come as events."""
    rf = daemon.health().get("rf") or {}
    if is_in_doubt(rf) and not rf.get("asking"):
        for line in (RF_SHOUT, *rf_lines(rf)):
            view.shout(line)


def _begin(daemon: Daemon, jobs: dict[str, JobPicture], job_id: str, view: View) -> None:
    """Read the job anew. Results from before the watch began are not shown as news."""
    known, job = jobs.get(job_id), picture(daemon, job_id)
    jobs[job_id] = job
    if known is None:
        job.results_seen = {str(each["id"]) for each in daemon.get("/api/results", job=job_id)}
    else:
        job.results_seen, job.asked = known.results_seen, known.asked
    _new_results(daemon, job, view)
    _changed(job, view)


def _changed(job: JobPicture, view: View) -> None:
    view.show(job)
    if job.hands is None:
        return
    request = tuple(job.hands.get(key) for key in ("step", "until", "ask"))
    if request not in job.asked:
        job.asked.add(request)
        view.ask(job)


def _on_job(daemon: Daemon, job: JobPicture, view: View, data: dict[str, Any]) -> None:
    """The state is the event's own: read from the daemon it may be some events ahead, and what
    those tell would be lost or come in the wrong order."""
    document = daemon.get(f"/api/jobs/{job.id}")
    _take_state(job, {**document, "state": data.get("state", document["state"])})
    if job.ended:
        _new_results(daemon, job, view)
    _changed(job, view)


def _on_step(daemon: Daemon, job: JobPicture, view: View, data: dict[str, Any]) -> None:
    job.step, job.done_in_step = data["step"], 0.0
    view.show(job)


def _on_progress(daemon: Daemon, job: JobPicture, view: View, data: dict[str, Any]) -> None:
    job.step = data["step"]
    job.done_in_step = data["done"] / data["total"] if data["total"] else 0.0
    view.show(job)


def _on_result(daemon: Daemon, job: JobPicture, view: View, data: dict[str, Any]) -> None:
    if data["result"] not in job.results_seen:
        _new_results(daemon, job, view)


def _new_results(daemon: Daemon, job: JobPicture, view: View) -> None:
    for record in decode_records(daemon.get("/api/results", job=job.id)):
        if record.id not in job.results_seen:
            job.results_seen.add(record.id)
            view.result(job, record.result)


def _ignore(daemon: Daemon, job: JobPicture, view: View, data: dict[str, Any]) -> None:
    """A kind of event that says nothing about progress."""


_TAKE = {"job": _on_job, "step": _on_step, "progress": _on_progress, "result": _on_result}


def unfinished(daemon: Daemon, now: datetime) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Jobs that have not ended, oldest first: those that may run now, those whose window opens
    later. Waiting for the latter could take until night."""
    states = [*UNDER_WAY, JobState.WAITING]
    now_on: list[dict[str, Any]] = []
    later: list[dict[str, Any]] = []
    for job in reversed(daemon.get("/api/jobs", state=states, limit=1000)):
        opens = job.get("not_before") if job["state"] == "waiting" else None
        (later if opens and datetime.fromisoformat(opens) > now else now_on).append(job)
    return now_on, later
