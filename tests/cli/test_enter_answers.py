"""Enter at a terminal answers the request that is shown, and nothing else."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from benchd.cli.client import DaemonRefused, NoDaemon
from benchd.cli.enter_answers import TOO_SOON_S, EnterAnswers
from benchd.cli.follow import JobPicture
from tests.patience import PATIENCE_S

JOB = "job-0000000000000001"
ASKS = "Press Enter when this is done and RF may go on: "
ANSWERED = f"Answered: {JOB} goes on, and RF may come on."


def hands(step: int, ask: str) -> dict[str, Any]:
    return {"ask": ask, "caution": "", "step": step}


class Watching:
    """`benchd watch` at a terminal of its own, whose stderr is read line by line."""

    def __init__(self, url: str, *, terminal: bool = True) -> None:
        self.keys, theirs = pty.openpty() if terminal else os.pipe()[::-1]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "benchd", "watch", JOB, "--daemon", url],
            stdin=theirs, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        os.close(theirs)
        self.lines: list[str] = []
        self._reading = threading.Thread(target=self._read, daemon=True)
        self._reading.start()

    def _read(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.lines.append(line.rstrip("\n"))

    def until(self, condition: Callable[[], bool], what: str) -> None:
        deadline = time.monotonic() + PATIENCE_S
        while not condition():
            assert self.process.poll() is None, (what, self.lines)
            assert time.monotonic() < deadline, (what, self.lines)
            time.sleep(0.02)

    def asked(self, ask: str) -> None:
        self.until(lambda: f"{ASKS}{ask}" in self.lines, ask)

    def answers(self, count: int) -> None:
        """So many answers were taken: the daemon notes one before it carries it out."""
        self.until(lambda: self.lines.count(ANSWERED) >= count, f"answer {count}")

    def press(self, text: str = "\n") -> None:
        os.write(self.keys, text.encode())

    def press_until(self, condition: Callable[[], bool], what: str) -> None:
        """As an impatient person does."""

        def done() -> bool:
            if condition():
                return True
            self.press()
            time.sleep(0.2)
            return condition()

        self.until(done, what)

    def end(self) -> int:
        status = self.process.wait(PATIENCE_S)
        self._reading.join(PATIENCE_S)
        assert self.process.stderr is not None
        self.process.stderr.close()
        return status


@pytest.fixture
def answered(api: Any) -> list[int | None]:
    """The steps of all answers that the daemon got."""
    steps: list[int | None] = []
    ready = api.desk.ready

    async def noting(job_id: str, step: int | None = None) -> Any:
        steps.append(step)
        return await ready(job_id, step)

    api.desk.ready = noting
    return steps


@pytest.fixture
def start(api: Any) -> Iterator[Callable[..., Watching]]:
    started: list[Watching] = []

    def watching(**more: Any) -> Watching:
        started.append(Watching(api.url, **more))
        return started[-1]

    yield watching
    for one in started:
        one.process.kill()
        one.end()
        os.close(one.keys)


def test_each_request_is_answered_once_however_often_enter_is_pressed(
    api: Any, answered: list[int | None], start: Callable[..., Watching]
) -> None:
    api.desk.add(JOB, "needs-hands", hands=hands(0, "Fit the open."))
    watching = start()
    watching.asked("Fit the open.")
    watching.press("all done\n")
    watching.press_until(lambda: bool(answered), "the first answer")
    watching.answers(1)
    watching.press("\n\n\n")
    api.run(api.desk.move(JOB, "needs-hands", hands=hands(2, "Fit the short."), step_index=2))
    watching.asked("Fit the short.")
    assert answered == [0]
    watching.press_until(lambda: len(answered) > 1, "the second answer")
    watching.answers(2)
    watching.press("\n\n")
    api.run(api.desk.move(JOB, "done", step_index=4))
    assert watching.end() == 0
    assert answered == [0, 2]
    assert watching.lines.count(ANSWERED) == 2


def test_without_a_terminal_nothing_is_read_and_nothing_answered(
    api: Any, answered: list[int | None], start: Callable[..., Watching]
) -> None:
    api.desk.add(JOB, "needs-hands", hands=hands(0, "Fit the open."))
    watching = start(terminal=False)
    watching.press("\n" * 5)
    watching.until(lambda: ">>> Fit the open." in watching.lines, "the request")
    api.run(api.desk.move(JOB, "withdrawn", hands=None))
    assert watching.end() == 1
    assert answered == []
    assert not [line for line in watching.lines if line.startswith(ASKS)]


# --- without a process: what cannot be timed ------------------------------------------------


class _Daemon:
    def __init__(self, error: Exception | None = None) -> None:
        self.error = error
        self.posted: list[tuple[str, int]] = []

    def __enter__(self) -> Any:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def post(self, path: str, *, step: int) -> None:
        self.posted.append((path, step))
        if self.error is not None:
            raise self.error


class _Said:
    def __init__(self) -> None:
        self.lines: list[str] = []

    def say(self, text: str) -> None:
        self.lines.append(text)

    def show(self, job: JobPicture) -> None:
        pass

    ask = shout = show
    result = None


def _scene(error: Exception | None = None) -> tuple[EnterAnswers, _Daemon, list[str], list[float]]:
    daemon, said, now = _Daemon(error), _Said(), [100.0]
    answers = EnterAnswers(said, lambda: daemon, clock=lambda: now[0])  # type: ignore[arg-type, return-value]
    return answers, daemon, said.lines, now


def _job(step: int | None) -> JobPicture:
    asked = None if step is None else hands(step, "Fit it.")
    state = "running" if step is None else "needs-hands"
    return JobPicture(JOB, "return-loss", state, step or 0, [1.0], hands=asked)


def test_what_comes_within_a_second_of_the_request_is_no_answer() -> None:
    answers, daemon, said, now = _scene()
    answers.ask(_job(4))
    now[0] += 0.9 * TOO_SOON_S
    answers.typed("")
    assert daemon.posted == []
    assert said[-1] == "That came too soon to be an answer. Press Enter once it is done."
    now[0] += 0.2 * TOO_SOON_S
    answers.typed("")
    answers.typed("")
    assert daemon.posted == [(f"/api/jobs/{JOB}/ready", 4)]


def test_a_request_that_was_taken_back_can_no_longer_be_answered() -> None:
    answers, daemon, _, now = _scene()
    answers.ask(_job(4))
    now[0] += 60.0
    answers.show(_job(None))
    answers.typed("")
    assert daemon.posted == []


def test_an_answer_that_did_not_arrive_may_be_given_again_and_a_refused_one_not() -> None:
    answers, daemon, said, now = _scene(NoDaemon("http://127.0.0.1:1"))
    answers.ask(_job(4))
    now[0] += 60.0
    answers.typed("")
    answers.typed("")
    assert len(daemon.posted) == 2
    assert said[-1].endswith("Press Enter to try again.")
    answers, daemon, said, now = _scene(DaemonRefused({"message": "it asks for another."}))
    answers.ask(_job(4))
    now[0] += 60.0
    answers.typed("")
    answers.typed("")
    assert len(daemon.posted) == 1
    assert said[-1] == "Not answered: it asks for another."
