"""One run: what a kind of fault does with the stage, and what is looked at afterwards."""

from __future__ import annotations

import hashlib
import random
import time
from dataclasses import dataclass, field
from typing import Any

import httpx

from tests.faults.rf import Span
from tests.faults.stage import PATIENCE_S, Served, Stage
from tests.system.rigging import until

ENDED = ("done", "failed", "withdrawn", "missed")

STAYS_ON_S = 20.0
"""RF that is on for so long, with everything in order and no job, stays on."""

SWEEPS = """
recipe: fault-run
title: Open, short and antenna, and a limit that this antenna does not hold
on_interrupt: resume
sweeps:
  main: {{method: stepped, centre: 1.7 GHz, span: 300 MHz, points: {points}, level: {level},
    resolution_bandwidth: 10 kHz, detector: rms, dwell: 2 ms}}
steps:
{first}  - capture: {{name: open, role: open, route: middle, position: open, sweep: main}}
  - capture: {{name: short, role: short, route: middle, position: short, sweep: main}}
  - capture: {{name: antenna, role: test, route: middle, position: antenna, antenna: dipole r3,
      sweep: main}}
  - reduce: {{kind: reflection, test: antenna, baseline: {{open: open, short: short}},
      design_frequency: 1.7 GHz, at: [1.7 GHz]}}
  - accept:
      - {{quantity: return_loss, at: 1.7 GHz, least: 25 dB}}
"""
"""The antenna's return loss at 1.7 GHz is 12 dB in truth: a pass of 25 dB is a wrong one."""


@dataclass
class Outcome:
    """What one run has shown.

    lost: captures and results that were there and are gone, results that no subscriber got.
    wrong_passes: limits called held that are not held in truth.
    after_fault_s: how long RF was on after the fault.
    overdue_s: the part of it in which the source could hear and a benchd lived; see `Tape`.
    hands_s: RF while a person was asked to put hands into the box.
    forgotten: orders that were answered and then not kept, or believed though nobody gave them.
    trouble: why the run did not come to its end; "" where it did.
    """

    kind: str
    seed: int
    lost: int = 0
    wrong_passes: int = 0
    after_fault_s: float = 0.0
    overdue_s: float = 0.0
    hands_s: float = 0.0
    forgotten: int = 0
    trouble: str = ""
    notes: list[str] = field(default_factory=list)
    took_s: float = 0.0

    @property
    def held(self) -> bool:
        """Whether nothing went wrong and RF was off within a second."""
        spoiled = self.lost or self.wrong_passes or self.forgotten or self.trouble
        return not spoiled and self.hands_s == 0.0 and self.overdue_s <= 1.0


class Scene:
    """The stage during one run, with what is remembered for the checks."""

    def __init__(self, stage: Stage, kind: str, seed: int) -> None:
        self.stage = stage
        self.simulator = stage.simulator
        self.random = random.Random(f"{kind}-{seed}")
        self.outcome = Outcome(kind, seed)
        self.jobs: list[str] = []
        self._seen: dict[str, str] = {}
        self._results: set[str] = set()
        self._demands: list[float] = []
        self._hands: list[Span] = []
        self.spared: set[str] = set()
        """Captures that the fault itself destroys; nobody can be blamed for these."""

    @property
    def daemon(self) -> Served:
        """The daemon, started if none lives."""
        return self.stage.living()

    # -- acting -----------------------------------------------------------------------------

    def queue(
        self, *, points: int = 41, first: str = "", level: str = "-10 dBm", **more: Any
    ) -> str:
        """Queue the three sweeps; `first` is YAML of steps before them. Returns the job's id."""
        text = SWEEPS.format(points=points, first=first, level=level)
        body = {"text": text, "file": "fault.yaml", "arguments": {}, **more}
        answer = self.daemon.http.post("/api/jobs", json=body)
        assert answer.status_code < 300, answer.text
        job: str = answer.json()["id"]
        self.jobs.append(job)
        return job

    def until_sweeping(self, job: str, step: int = 0) -> None:
        """Until a step (or a later one) radiates; at once if the job has ended before."""

        def there() -> bool:
            row = self.daemon.job(job)
            if row["state"] in ENDED:
                return True
            return bool(row["step_index"] >= step and self.stage.rf_is_on())

        until(there, f"step {step} to radiate", PATIENCE_S)

    def moment(self, longest_s: float = 0.6) -> None:
        """Let a drawn time pass."""
        time.sleep(self.random.uniform(0.0, longest_s))

    def note_committed(self) -> None:
        """Remember the captures and results of this run that the daemon shows by now."""
        http = self.daemon.http
        for job in self.jobs:
            for row in http.get("/api/captures", params={"job": job}).json():
                if row["id"] not in self._seen:
                    self._seen[row["id"]] = self._digest(row["id"])
            results = http.get("/api/results", params={"job": job, "limit": 1000}).json()
            self._results |= {row["id"] for row in results}

    def _digest(self, capture: str) -> str:
        answer = self.daemon.http.get(f"/api/captures/{capture}/trace")
        return hashlib.sha256(answer.content).hexdigest() if answer.status_code == 200 else "gone"

    def rf_must_be_off(self, from_s: float | None = None) -> None:
        """From now, or a given time, RF may not be on: the clock runs."""
        self._demands.append(time.monotonic() if from_s is None else from_s)

    def hands_in_box(self, from_s: float, to_s: float) -> None:
        """A person was asked, and had not answered yet."""
        self._hands.append((from_s, to_s))

    def until_ended(self, job: str, patience_s: float = PATIENCE_S) -> dict[str, Any]:
        """The job when it has come to an end."""
        found: dict[str, Any] = until(
            lambda: (row := self.daemon.job(job))["state"] in ENDED and row,
            f"job {job} to end", patience_s,
        )  # fmt: skip
        return found

    def replay_gaps(self) -> None:
        """Ask for what the subscriber misses, as the README tells it to."""
        witness = self.stage.witness
        for first, last in witness.gaps:
            order = f"r-{self.outcome.seed}-{first}"
            witness.order(
                f'{{"verb": "replay", "order": "{order}", "from_sequence": {first}, '
                f'"to_sequence": {last}}}'
            )

    # -- looking ----------------------------------------------------------------------------

    def conclude(self) -> Outcome:
        """Everything behaves again; what was lost, passed wrongly, left on?"""
        self.stage.behave()
        for job in self.jobs:
            row = self.daemon.job(job)
            if row.get("state") in ("waiting", "needs-hands"):
                self.daemon.http.post(f"/api/jobs/{job}/withdraw")
            self.until_ended(job)
        outcome = self.outcome
        try:
            self.stage.off_at_last(STAYS_ON_S)
        except AssertionError:
            outcome.notes.append(f"RF still on {STAYS_ON_S:.0f} s after everything was mended")
        outcome.lost += self._lost_captures() + self._lost_results()
        outcome.wrong_passes += self._wrong_passes()
        tape = self.stage.tape()
        if self.stage.rf_is_on():
            self._demands.append(tape.end_s - STAYS_ON_S)
            self.simulator.do("power-cycle", instrument="generator")
        outcome.after_fault_s = max(map(tape.after, self._demands), default=0.0)
        outcome.overdue_s = max(
            (tape.overdue(moment, self.stage.attended) for moment in self._demands), default=0.0
        )
        outcome.hands_s = tape.on_during(self._hands)
        return outcome

    def _lost_captures(self) -> int:
        gone = [
            capture for capture, digest in self._seen.items()
            if capture not in self.spared and self._digest(capture) != digest
        ]  # fmt: skip
        if gone:
            self.outcome.notes.append(f"captures gone: {', '.join(gone)}")
        return len(gone)

    def _lost_results(self) -> int:
        shown: set[str] = set()
        for job in self.jobs:
            answer = self.daemon.http.get("/api/results", params={"job": job, "limit": 1000})
            shown |= {row["id"] for row in answer.json()}
        gone = self._results - shown
        witness = self.stage.witness
        wanted = shown | self._results

        def complete() -> bool:
            return wanted <= witness.results and not witness.gaps

        try:
            until(complete, "the results to reach the subscriber", 30.0)
        except AssertionError:
            missing = wanted - witness.results
            self.outcome.notes.append(f"results unheard: {len(missing)}, gaps: {witness.gaps}")
            gone |= missing
            return max(1, len(gone))
        return len(gone)

    def _wrong_passes(self) -> int:
        found = 0
        for job in self.jobs:
            answer: httpx.Response = self.daemon.http.get(f"/api/jobs/{job}/verdicts")
            passed = [one for one in answer.json() if str(one.get("outcome")).startswith("pass")]
            found += len(passed)
            if passed:
                value = (passed[0].get("result") or {}).get("value")
                self.outcome.notes.append(f"passed with {value} dB")
        said = [one for one in self.stage.witness.verdicts if one.get("job") in self.jobs]
        return max(found, sum(str(one.get("outcome")).startswith("pass") for one in said))
