"""Watching jobs: every change is shown, requests stand out, and it ends when the jobs do."""

from __future__ import annotations

import asyncio
import io
import json
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest

from benchd.cli.follow import JobPicture
from benchd.cli.screen import Screen, screen_of
from benchd.cli.watch_views import BarView, LineView, status
from tests.patience import PATIENCE_S

JOB = "job-0000000000000001"
HANDS = {"ask": "Fit the short to the middle port.", "caution": "RF is off.", "step": 0}


async def _play(desk: Any, *scenes: Callable[[], Any]) -> None:
    """Move the job along in step with its watcher.

    A watcher reads the job when it begins and after each of its changes, and the results after
    each that is told; the next scene waits for that.
    """
    jobs, results = 1, 2
    async with asyncio.timeout(PATIENCE_S):
        for scene in scenes:
            while desk.watching == 0 or desk.reads["job"] < jobs or desk.reads["results"] < results:
                await asyncio.sleep(0.002)
            before = len(desk.kept)
            await scene()
            kinds = [event.kind for event in desk.kept[before:]]
            jobs += kinds.count("job")
            results += kinds.count("result")


def _whole_job(desk: Any, fakes: Any) -> list[Callable[[], Any]]:
    def results() -> Any:
        desk.reduced[JOB] = fakes.records()
        return desk.say("result", {"job": JOB, "result": "res-0000000000000001"})

    def progress(done: int) -> Callable[[], Any]:
        data = {"job": JOB, "step": 1, "label": "capture test", "done": done, "total": 51}
        return lambda: desk.say("progress", data)

    return [
        lambda: desk.move(JOB, "needs-hands", hands=HANDS),
        lambda: desk.move(JOB, "running", hands=None, step_index=1),
        lambda: desk.say("step", {"job": JOB, "step": 1, "steps": 4, "label": "capture test"}),
        *(progress(done) for done in range(52)),
        lambda: desk.say("link", {"message": "analyzer does not answer, trying again"}),
        lambda: desk.say("remark", {"job": JOB, "message": "capture test: a trigger was missed"}),
        # The job is a step further already when its change is read: the capture was committed.
        lambda: desk.move(JOB, "running", step_index=2, message="capture test"),
        lambda: desk.say("step", {"job": JOB, "step": 2, "steps": 4, "label": "reduce dipole"}),
        results,
        lambda: desk.move(JOB, "done", step_index=4, message="done"),
    ]


def test_a_watch_in_a_pipe_prints_each_change_once_and_then_the_results(
    api: Any, benchd: Any, fakes: Any
) -> None:
    api.desk.reduced.clear()
    api.desk.add(JOB)
    playing = api.later(_play(api.desk, *_whole_job(api.desk, fakes)))
    outcome = benchd("watch", JOB, api=api)
    playing.result(PATIENCE_S)
    lines = outcome.err.splitlines()
    expected = [
        f"{JOB}: waiting",
        f"{JOB}: needs-hands",
        ">>> Fit the short to the middle port.",
        ">>> Caution: RF is off.",
        f">>> Then: benchd ready {JOB} --step 0",
        f"{JOB}: step 1 of 4, hands",
        f"{JOB}: step 2 of 4, capture test",
        "analyzer does not answer, trying again",
        "capture test: a trigger was missed",
        f"{JOB}: step 3 of 4, reduce dipole",
        "    dipole r3: Resonance = 1.6837 GHz ± 0.0021 GHz",
        "    dipole r3: Return loss at 1.7 GHz = 20.0 dB, 18.4 to 21.9 dB",
        "    dipole r3: Bandwidth from 1.6201 to 1.7502 GHz = 130.1 MHz ± 5.0 MHz",
        "    dipole r3: Trim per arm = 0.410 mm ± 0.051 mm",
        f"{JOB}: done",
    ]
    assert lines == expected
    assert len(set(lines)) == len(lines), "no line twice"
    assert outcome.code == 0
    assert "1.6837 GHz ± 0.0021 GHz" in outcome.out
    assert "at least 10 dB at 1.7 GHz" in outcome.out


def test_queue_and_wait_in_one_command(api: Any, benchd: Any) -> None:
    async def finish() -> None:
        await api.desk.move(JOB, "running")
        await api.desk.move(JOB, "done", step_index=4)

    playing = api.later(_play(api.desk, finish))
    outcome = benchd("queue", "return-loss", "--wait", "--json", api=api)
    playing.result(PATIENCE_S)
    (document,) = json.loads(outcome.out)
    assert (document["job"]["state"], outcome.code) == ("done", 0)
    assert document["verdicts"][0]["outcome"] == "pass"
    assert f"{JOB} queued: return-loss" in outcome.err


@pytest.mark.parametrize("state", ["failed", "withdrawn"])
def test_a_job_that_does_not_end_well_gives_exit_code_1(api: Any, benchd: Any, state: str) -> None:
    api.desk.reduced.clear()
    api.desk.add(JOB, "running")
    error = {"family": "link-lost", "where": "analyzer", "message": "gone", "advice": ""}
    playing = api.later(_play(api.desk, lambda: api.desk.move(JOB, state, error=error)))
    outcome = benchd("watch", api=api)
    playing.result(PATIENCE_S)
    assert outcome.code == 1
    why = ": analyzer: gone" if state == "failed" else ""
    assert outcome.err.splitlines()[-1] == f"{JOB}: {state}{why}"


TONIGHT = datetime(2126, 3, 1, 22, 0, tzinfo=UTC)


def test_a_watch_of_all_jobs_does_not_wait_for_a_window_that_opens_later(
    api: Any, benchd: Any
) -> None:
    api.desk.add(JOB, not_before=TONIGHT)
    outcome = benchd("watch", api=api)
    assert (outcome.code, outcome.out) == (0, "")
    assert outcome.err.splitlines() == [
        f"{JOB}: return-loss waits: not before 2126-03-01 22:00:00 UTC. "
        f"To watch it until then: benchd watch {JOB}",
        "No other job is waiting or running.",
    ]


def test_a_watch_of_all_jobs_follows_what_may_run_and_names_what_waits_for_its_window(
    api: Any, benchd: Any
) -> None:
    api.desk.reduced.clear()
    other = "job-0000000000000002"
    api.desk.add(JOB, "running")
    api.desk.add(other, not_before=TONIGHT)
    playing = api.later(_play(api.desk, lambda: api.desk.move(JOB, "done")))
    outcome = benchd("watch", api=api)
    playing.result(PATIENCE_S)
    assert outcome.code == 0
    assert outcome.err.splitlines()[0].startswith(f"{other}: return-loss waits: not before")
    assert outcome.err.splitlines()[-1] == f"{JOB}: done"
    assert not [line for line in outcome.err.splitlines()[1:] if line.startswith(other)]


def test_a_watch_of_one_job_says_what_it_waits_for(api: Any, benchd: Any) -> None:
    api.desk.reduced.clear()
    api.desk.add(JOB, not_before=TONIGHT)
    playing = api.later(_play(api.desk, lambda: api.desk.move(JOB, "withdrawn")))
    outcome = benchd("watch", JOB, api=api)
    playing.result(PATIENCE_S)
    assert outcome.err.splitlines()[0] == (f"{JOB}: waiting: not before 2126-03-01 22:00:00 UTC")


def test_watching_when_nothing_waits_says_so(api: Any, benchd: Any) -> None:
    api.desk.add(JOB, "done")
    outcome = benchd("watch", api=api)
    assert (outcome.code, outcome.out, outcome.err) == (0, "", "No job is waiting or running.\n")


def test_a_watch_of_an_ended_job_ends_at_once(api: Any, benchd: Any) -> None:
    api.desk.add(JOB, "done")
    outcome = benchd("watch", JOB, api=api)
    assert (outcome.code, outcome.err) == (0, f"{JOB}: done\n")


def test_a_watch_outlives_a_restart_of_the_daemon(api: Any, benchd: Any) -> None:
    """The stream is cut while the job runs; the watch takes it up again and sees the end."""
    api.desk.reduced.clear()
    api.desk.add(JOB, "running")
    cut = threading.Event()
    watch_events = type(api.desk).events

    async def cut_once(self: Any, after: int | None) -> Any:
        async for event in watch_events(self, after):
            yield event
            if not cut.is_set():
                cut.set()
                return

    api.desk.events = lambda after: cut_once(api.desk, after)

    async def after_the_cut() -> None:
        await api.desk.say("rf", {"off": True, "message": "RF off, verified by query"})
        async with asyncio.timeout(PATIENCE_S):
            while not cut.is_set() or api.desk.watching:
                await asyncio.sleep(0.005)
        await api.desk.move(JOB, "done")

    playing = api.later(_play(api.desk, after_the_cut))
    outcome = benchd("watch", JOB, api=api)
    playing.result(PATIENCE_S)
    assert (outcome.code, outcome.err.splitlines()[-1]) == (0, f"{JOB}: done")


def _picture(**more: Any) -> JobPicture:
    fields: dict[str, Any] = {
        "id": JOB, "recipe": "return-loss", "state": "running", "step": 1,
        "weights_s": [0.0, 30.0, 10.0],
    }  # fmt: skip
    return JobPicture(**{**fields, **more})


def test_the_bar_follows_expected_time_not_the_count_of_steps() -> None:
    assert _picture(step=0).fraction == 0.0
    assert _picture(done_in_step=0.5).fraction == pytest.approx(15 / 40)
    assert _picture(step=2).fraction == pytest.approx(30 / 40)
    assert _picture(done_in_step=0.5).left_s == pytest.approx(25.0)
    assert _picture(step=9).fraction == 1.0
    assert _picture(state="done", step=0).fraction == 1.0


def test_a_failed_job_says_why_beside_its_bar() -> None:
    assert status(_picture(state="failed", message="analyzer gone")) == "failed: analyzer gone"


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_on_a_terminal_a_request_is_framed_and_rings_the_bell(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.setenv("TERM", "xterm")
    stream = _Terminal()
    with BarView(stream, Screen(100, colour=False)) as view:
        job = _picture(state="needs-hands", hands=HANDS)
        view.show(job)
        view.ask(job)
    text = stream.getvalue()
    assert "Your hands, please" in text
    assert "Fit the short to the middle port." in text
    assert f"Then: benchd ready {JOB}" in text
    assert "\a" in text


def test_lines_without_control_characters() -> None:
    stream = io.StringIO()
    LineView(stream).say("one\x1b[2Jtwo")
    assert stream.getvalue() == "one?[2Jtwo\n"


@pytest.mark.parametrize(
    ("variables", "colour"),
    [({"TERM": "xterm"}, True), ({"TERM": "xterm", "NO_COLOR": "1"}, False),
     ({"TERM": "dumb"}, False), ({"TERM": ""}, False)],
    ids=str,
)  # fmt: skip
def test_colour_follows_the_terminal_and_no_color(
    variables: dict[str, str], colour: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    assert screen_of(_Terminal()).colour is colour
    assert screen_of(io.StringIO()) == Screen()


def test_a_request_is_printed_once_also_where_an_older_event_comes_after_it(
    api: Any, benchd: Any
) -> None:
    """The job was read with its request standing; then comes what was told before that."""
    api.desk.reduced.clear()
    api.desk.add(JOB, "needs-hands", hands=HANDS)
    playing = api.later(
        _play(
            api.desk,
            lambda: api.desk.say("job", {"job": JOB, "state": "running", "message": ""}),
            lambda: api.desk.say("job", {"job": JOB, "state": "needs-hands", "message": ""}),
            lambda: api.desk.move(JOB, "withdrawn", hands=None),
        )
    )
    outcome = benchd("watch", JOB, api=api)
    playing.result(PATIENCE_S)
    assert outcome.err.count(">>> Fit the short to the middle port.") == 1


TAKEN_BACK = "nobody answered within 30 min, so waiting jobs run first and RF may come on"


def test_a_watch_says_until_when_rf_stays_off_and_that_a_request_was_taken_back(
    api: Any, benchd: Any
) -> None:
    api.desk.reduced.clear()
    api.desk.add(JOB, "running")
    hands = {**HANDS, "until": "2026-03-01T21:34:05Z", "then": "let-others-run"}
    playing = api.later(
        _play(
            api.desk,
            lambda: api.desk.move(JOB, "needs-hands", hands=hands),
            lambda: api.desk.move(JOB, "waiting", hands=None, message=TAKEN_BACK),
            lambda: api.desk.move(JOB, "withdrawn"),
        )
    )
    outcome = benchd("watch", JOB, api=api)
    playing.result(PATIENCE_S)
    assert outcome.err.splitlines()[1:7] == [
        f"{JOB}: needs-hands",
        ">>> Fit the short to the middle port.",
        ">>> Caution: RF is off.",
        f">>> Then: benchd ready {JOB} --step 0",
        ">>> RF stays off for it until 2026-03-01 21:34:05 UTC; then waiting jobs run and RF may "
        "come on.",
        f"{JOB}: waiting: {TAKEN_BACK}",
    ]


@pytest.mark.parametrize(
    ("row", "note"),
    [
        (
            {"state": "needs-hands", "hands": {**HANDS, "until": "2026-03-01T21:34:05Z",
                                               "then": "give-up"}},
            f"Then: benchd ready {JOB} --step 0 RF stays off for it until 2026-03-01 21:34:05 UTC; "
            "then the job gives up.",
        ),
        (
            {"state": "waiting", "message": TAKEN_BACK, "put_back_at": datetime.now(UTC),
             "not_before": datetime.now(UTC)},
            TAKEN_BACK,
        ),
        (
            {"state": "running", "withdraw_ordered_at": datetime.now(UTC)},
            "is being stopped by order",
        ),
        ({"state": "done", "message": "done, but nobody answered"}, "done, but nobody answered"),
        ({"state": "running", "step_index": 1, "message": "capture open"}, "capture open"),
        (
            {"state": "failed", "message": "generator: gone. Check its cable.",
             "error": {"family": "link-lost", "where": "generator", "message": "gone.",
                       "advice": "Check its cable."}},
            "generator: gone.",
        ),
        (
            {"state": "failed", "message": "a fault in benchd: ZeroDivisionError",
             "error": {"family": "fault", "where": JOB, "advice": "",
                       "message": "a fault in benchd: ZeroDivisionError"}},
            " a fault in benchd: ZeroDivisionError",
        ),
    ],
    ids=["asking", "put back", "being stopped", "left out", "running", "lost", "fault"],
)  # fmt: skip
def test_jobs_tells_what_a_person_must_know_of_each(
    api: Any, benchd: Any, row: dict[str, Any], note: str
) -> None:
    api.desk.add(JOB, **row)
    assert note in " ".join(benchd("jobs", api=api).out.split())
