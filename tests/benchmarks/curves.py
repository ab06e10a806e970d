"""`python -m tests.benchmarks.curves --into docs/speed.md`: how cost grows, a curve each.

What is measured is processor time, since other work on the computer changes it least. The section
"How cost grows" of the page is written anew, with a table, and a picture beside the page. It takes
two to three minutes.
"""

from __future__ import annotations

import argparse
import re
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from matplotlib import rc_context
from matplotlib.figure import Figure

from benchd.engine.freed_memory import keep_freed_memory
from benchd.engine.reducing import Reducer
from benchd.engine.story import RunMemory, story_of
from benchd.report.palette import INK
from benchd.store import Store
from benchd.web.app import job_document
from benchd.web.documents import to_text
from benchd.web.result_texts import ResultTexts
from tests.benchmarks.large_store import antenna, fill
from tests.benchmarks.stored_jobs import store_job
from tests.benchmarks.test_viewers_speed import POINTS as WATCHED_POINTS
from tests.benchmarks.test_viewers_speed import SWEEP, run, viewers
from tests.reductions.captures import Notebook
from tests.store import examples
from tests.system.rigging import Daemon, Simulator, ending

HEADING = "## How cost grows"
ROUNDS = 5
POINTS = (101, 201, 501, 1001, 2001, 5001, 10_001)
STORED = (1_000, 3_000, 10_000, 30_000)
ANTENNAS = (10, 30, 100, 300)
OF_ANTENNAS = 3_000
VIEWERS = (0, 5, 10, 20)
SWEEP_POINTS = 301


@dataclass(frozen=True)
class Line:
    """One curve: what it costs, ms, for each of the amounts along `along`."""

    along: str
    words: str
    amounts: Sequence[int]
    cost_ms: Sequence[float]


def least_ms(work: Callable[[], Any], rounds: int = ROUNDS) -> float:
    """Processor time of this thread, ms: the least after a first time, which warms up."""
    work()
    taken = []
    for _ in range(rounds):
        started = time.thread_time()
        work()
        taken.append(1e3 * (time.thread_time() - started))
    return min(taken)


def over_points(folder: Path) -> list[Line]:
    """Reducing a reflection, and storing a capture."""
    keep_freed_memory()
    notebook = Notebook(folder)
    reducer = Reducer(notebook.bench, notebook.store)
    reduced, stored = [], []
    for points in POINTS:
        job = store_job(notebook, points)
        sheet = notebook.store.worksheet(job)
        reduced.append(least_ms(lambda job=job, sheet=sheet: reducer.all_records(job, sheet)))
        stored.append(
            least_ms(
                lambda job=job, points=points: notebook.store.commit_capture(
                    examples.capture(job, traces=(examples.trace(points),)), step_index_after=None
                )
            )
        )
    notebook.close()
    return [
        Line("points", "reduce a reflection", POINTS, reduced),
        Line("points", "store a capture", POINTS, stored),
    ]


def over_stored(folder: Path) -> list[Line]:
    """Lists of the newest, with more and more captures and results stored."""
    found: dict[str, list[float]] = {"captures": [], "jobs": [], "results": []}
    for count in STORED:
        fill(folder / f"{count}.db", count)
        texts = ResultTexts()
        with Store.open(folder / f"{count}.db") as store:
            for name, ask in {
                "captures": lambda store=store: to_text(store.captures(limit=100)),
                "jobs": lambda store=store: to_text(
                    [job_document(job) for job in store.jobs(limit=100)]
                ),
                "results": lambda store=store, texts=texts: texts.listed(store.results(limit=1000)),
            }.items():
                found[name].append(least_ms(ask))
    return [
        Line("captures stored", "list the newest 100 captures", STORED, found["captures"]),
        Line("captures stored", "list the newest 100 jobs", STORED, found["jobs"]),
        Line("results stored", "list the newest 1,000 results", STORED, found["results"]),
    ]


def over_antennas(folder: Path) -> list[Line]:
    """One antenna's story among more and more others, each with as many results."""
    cost = []
    for antennas in ANTENNAS:
        place = folder / f"{antennas}-antennas.db"
        fill(place, OF_ANTENNAS * antennas // 100, antennas)
        memory = RunMemory()
        with Store.open(place) as store:
            cost.append(
                least_ms(
                    lambda store=store, antennas=antennas, memory=memory: to_text(
                        story_of(antenna(7, antennas), {}, store, bench="workshop", memory=memory)
                    )
                )
            )
    return [Line("antennas", "tell one antenna's story", ANTENNAS, cost)]


def over_viewers(folder: Path) -> list[Line]:
    """What the daemon computes for a second of a sweep, with more and more who look on."""
    recipe = SWEEP.replace(f"points: {WATCHED_POINTS}", f"points: {SWEEP_POINTS}")
    simulator = Simulator(folder)
    daemon = Daemon(folder, simulator, "none")
    cost = []
    with ending(daemon, simulator):
        run(daemon, recipe)
        for count in VIEWERS:
            with viewers(daemon, count):
                taken = run(daemon, recipe)
            cost.append(1e3 * taken.computed_s / taken.took_s)
        daemon.stop()
    return [Line("viewers", "run a sweep, each second of it", VIEWERS, cost)]


def table(lines: Sequence[Line]) -> str:
    """A row for each curve, with its amounts in the cells."""
    rows = ["| with more | what | ms of processor time |", "| --- | --- | --- |"]
    for line in lines:
        cells = ", ".join(
            f"{amount:,}: {cost:.3g}"
            for amount, cost in zip(line.amounts, line.cost_ms, strict=True)
        )
        rows.append(f"| {line.along} | {line.words} | {cells} |")
    return "\n".join(rows)


def draw(lines: Sequence[Line], place: Path) -> None:
    """All curves, those over the same amounts in one frame."""
    frames = list(dict.fromkeys(line.along for line in lines))
    with rc_context({"svg.hashsalt": "benchd", "svg.fonttype": "none", "font.size": 8}):
        figure = Figure(figsize=(11.0, 2.6), layout="constrained")
        for axes, along in zip(figure.subplots(1, len(frames)), frames, strict=True):
            for line in (one for one in lines if one.along == along):
                axes.plot(line.amounts, line.cost_ms, marker="o", markersize=3, label=line.words)
            if along != "viewers":
                axes.set_xscale("log")
            most = max(max(line.cost_ms) for line in lines if line.along == along)
            axes.set_ylim(0.0, 1.35 * most)  # with room for the legend
            axes.set_xlabel(along, color=INK)
            axes.legend(fontsize=6, loc="upper left", frameon=False)
        figure.axes[0].set_ylabel("ms of processor time", color=INK)
        figure.savefig(place, format="svg", metadata={"Date": None})


def section(lines: Sequence[Line], picture: str) -> str:
    """The section of the page."""
    return f"""{HEADING}

In ms of processor time, all measured in one run and written here by
`python -m tests.benchmarks.curves --into docs/speed.md`. What is stored costs a list nearly
nothing, since each is read by an index. An antenna's story grows with its own results and not with
other antennas. A viewer adds a few ms to each second of a sweep.

![Processor time over points, captures, results, antennas and viewers]({picture})

{table(lines)}
"""


def written(page: str, new: str) -> str:
    """The page with its section replaced, or with it at its end."""
    found = re.search(rf"^{re.escape(HEADING)}\n.*?(?=^## |\Z)", page, re.MULTILINE | re.DOTALL)
    if found is None:
        return page.rstrip() + "\n\n" + new
    rest = page[found.end() :]
    return page[: found.start()] + new + ("\n" + rest if rest else "")


def main() -> None:
    """Measure everything, and write it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--into", type=Path, metavar="PAGE", help="without it, only printed")
    into: Path | None = parser.parse_args().into
    lines: list[Line] = []
    for measure in (over_points, over_stored, over_antennas, over_viewers):
        with tempfile.TemporaryDirectory() as folder:
            lines += measure(Path(folder))
    print(table(lines))
    if into is None:
        return
    picture = into.parent / "pictures" / "cost.svg"
    draw(lines, picture)
    new = section(lines, picture.relative_to(into.parent).as_posix())
    into.write_text(written(into.read_text("utf-8"), new), encoding="utf-8")


if __name__ == "__main__":
    main()
