"""Following jobs to their end: events in, a picture of each job out. Draws nothing itself."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from benchd.cli.client import Daemon
from benchd.cli.rf import is_in_doubt, rf_lines
from benchd.results import Result
from benchd.web.forms import decode_records

ENDED = frozenset({"done", "failed", "withdrawn", "missed"})
LEAST_STEP_S = 0.05  # steps that take no time still move the bar


@dataclass
class JobPicture:
    """One job as far as it is known.

    weights_s: expected time of each step; what a bar is divided by.
    done_in_step: 0 to 1 within the present step.
    """

    id: str
    recipe: str
    state: str
    step: int
    weights_s: list[float]
    message: str = ""
    label: str = ""
    done_in_step: float = 0.0
    detail: str = ""
    hands: dict[str, Any] | None = None
    results_seen: set[str] = field(default_factory=set)

    @property
    def ended(self) -> bool:
        """True where nothing more will come."""
        return self.state in ENDED

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
    )
    _take_state(made, job)
    return made


def _take_state(job: JobPicture, document: dict[str, Any]) -> None:
    job.state = document["state"]
    if job.state == "running" and document["step_index"] > job.step:
        # Its message names the step that begins; the old label belongs to the step before.
        job.label, job.done_in_step, job.detail = str(document["message"]), 0.0, ""
    job.message = str((document.get("error") or {}).get("message") or document["message"])
    job.hands = document.get("hands") if job.state == "needs-hands" else None


def follow(daemon: Daemon, job_ids: Sequence[str], view: View) -> list[JobPicture]:
    """Watch jobs until all have ended; returns how they ended."""
    jobs: dict[str, JobPicture] = {}
    for event in daemon.events():
        if event.kind == "begin":
            _say_doubt(daemon, view)
            for job_id in job_ids:
                _begin(daemon, jobs, job_id, view)
        elif event.kind == "link":
            view.say(str(event.data.get("message", "")))
        elif event.kind == "rf":
            doubt = "" if event.data.get("off") else "RF is NOT verified off: "
            view.say(f"{doubt}{event.data.get('message', '')}")
        elif (job := jobs.get(str(event.data.get("job")))) is not None:
            _TAKE.get(event.kind, _ignore)(daemon, job, view, event.data)
        if jobs and all(job.ended for job in jobs.values()):
            return list(jobs.values())
    return list(jobs.values())


def _say_doubt(daemon: Daemon, view: View) -> None:
    """RF that was in doubt before the watch began is seen first; changes come as events."""
    rf = daemon.health().get("rf") or {}
    if is_in_doubt(rf) and not rf.get("asking"):
        for line in rf_lines(rf):
            view.say(f"!!! {line}")


def _begin(daemon: Daemon, jobs: dict[str, JobPicture], job_id: str, view: View) -> None:
    """Read the job anew. Results from before the watch began are not shown as news."""
    known, job = jobs.get(job_id), picture(daemon, job_id)
    jobs[job_id] = job
    if known is None:
        job.results_seen = {str(each["id"]) for each in daemon.get("/api/results", job=job_id)}
    else:
        job.results_seen = known.results_seen
    asked = known is not None and known.hands == job.hands
    _changed(daemon, job, view, asked=asked)


def _changed(daemon: Daemon, job: JobPicture, view: View, *, asked: bool = False) -> None:
    _new_results(daemon, job, view)
    view.show(job)
    if job.hands is not None and not asked:
        view.ask(job)


def _on_job(daemon: Daemon, job: JobPicture, view: View, data: dict[str, Any]) -> None:
    before = job.hands
    _take_state(job, daemon.get(f"/api/jobs/{job.id}"))
    _changed(daemon, job, view, asked=job.hands == before)


def _on_step(daemon: Daemon, job: JobPicture, view: View, data: dict[str, Any]) -> None:
    job.step, job.label, job.done_in_step, job.detail = data["step"], data["label"], 0.0, ""
    view.show(job)


def _on_progress(daemon: Daemon, job: JobPicture, view: View, data: dict[str, Any]) -> None:
    job.step, job.label = data["step"], data["label"]
    job.done_in_step = data["done"] / data["total"] if data["total"] else 0.0
    job.detail = f"{data['done']} of {data['total']}"
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


def unfinished(daemon: Daemon) -> Iterator[str]:
    """Ids of all jobs that have not ended, oldest first."""
    states = ["running", "needs-hands", "waiting"]
    for job in reversed(daemon.get("/api/jobs", state=states, limit=1000)):
        yield str(job["id"])
