"""`benchd demo`: the whole of benchd on a virtual bench, in under a minute, with nothing faked.

Simulated instruments and the daemon run as processes of their own, just as they would be started
by hand; this command only talks to them as a person and as a subscriber's subscriber would.
"""

from __future__ import annotations

import contextlib
import signal
import sys
import time
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchd.cli.client import Daemon
from benchd.cli.decoding import decode_records, decode_verdicts
from benchd.cli.demo_bench import virtual_bench
from benchd.cli.follow import JobPicture, follow
from benchd.cli.message_words import message_words
from benchd.cli.results_table import format_results
from benchd.cli.screen import cell, plain, print_error, render, say, screen_of, table
from benchd.errors import BenchdError, UserError

if TYPE_CHECKING:
    from benchd.cli.demo_subscriber import DemoSubscriber

JOBS: tuple[tuple[str, str, dict[str, str]], ...] = (
    ("open-short-baseline", "open and short of the middle port, the baselines of a night", {}),
    ("return-loss", "a 1.7 GHz dipole that is a little too long", {"antenna": "dipole r3"}),
    (
        "gain-pair-by-switch",
        "a Yagi against the reference dipole, by switch",
        {"antenna": "yagi r2", "reference": "reference dipole"},
    ),
)
_CAUTION = (
    "Everything here is simulated: nothing radiates. On a real bench RF can harm people, needs a "
    "licence\nwherever it leaves a shielded box, and destroys analyzer inputs: local rules and "
    "licensed practice decide."
)


def demo(
    stay: Annotated[
        bool,
        typer.Option(
            "--stay", help="Then stay up with the page: a night of jobs, and somebody who trims."
        ),
    ] = False,
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Where plots, data and logs go.")
    ] = Path("demo-output"),
    qualify: Annotated[
        bool,
        typer.Option(
            "--qualify", help="Instead, ask of a bad and of a good box whether they can be trusted."
        ),
    ] = False,
) -> None:
    """Run three recipes on a virtual bench and show what comes out.

    Baselines by switch, return loss of a dipole that is slightly too long, and the gain of a
    Yagi against a reference dipole. Ends by itself.
    """
    # Here and not above: they load what no other command needs.
    from benchd.cli.demo_box import qualify as qualify_boxes
    from benchd.cli.demo_stay import go_on
    from benchd.cli.demo_subscriber import DemoSubscriber

    if qualify and stay:
        raise UserError("--qualify ends by itself; leave --stay out.", where="demo")
    started = time.monotonic()
    out.mkdir(parents=True, exist_ok=True)
    say(_CAUTION)
    if qualify:
        qualify_boxes(out)
        say(f"Took {time.monotonic() - started:.0f} s.")
        return
    with virtual_bench(out, "workshop") as up:
        client, said, daemon = up.client, up.said, up.daemon
        say(f"\nThe bench is up: API {said['http']}, MQTT {said['broker']}\n")
        with DemoSubscriber(said["broker"], said["bench"]) as subscriber:
            ids = []
            for recipe, about, arguments in JOBS:
                job = client.post("/api/jobs", {"recipe": recipe, "arguments": arguments})
                ids.append(job["id"])
                say(f"  queued {recipe}: {about}")
            say("")
            from benchd.cli.watch_views import view

            with view(zone=client.zone) as live:
                ended = follow(client, ids, live)
            _show_results(client, ended)
            paths = [path for job in ended for path in _plots(client, job, out)]
            _show_messages(subscriber, client, ids)
        say(f"\n{len(paths)} plots in {out}/plots, the first of them {_first(paths)}")
        say(f"Took {time.monotonic() - started:.0f} s.")
        if failed := [job for job in ended if job.state != "done"]:
            raise BenchdError(
                "; ".join(f"{job.recipe}: {job.state}: {job.message}" for job in failed)
            )
        if not stay:
            say("To see it on a page in a browser: benchd demo --stay tells the page's address.")
            return
        # Ended by a signal it still takes the bench and the daemon down with it.
        signal.signal(signal.SIGTERM, signal.default_int_handler)
        with contextlib.suppress(KeyboardInterrupt):
            try:
                go_on(up, out)
            except BenchdError as error:
                print_error(error)  # what is there can be looked at all the same
            daemon.wait()


def _show_results(client: Daemon, ended: list[JobPicture]) -> None:
    screen = screen_of(sys.stdout, client.zone)
    for job in ended:
        records = decode_records(client.get("/api/results", job=job.id))
        verdicts = decode_verdicts(client.get(f"/api/jobs/{job.id}/verdicts"))
        if records:
            say("\n" + format_results(records, screen, verdicts))


def _plots(client: Daemon, job: JobPicture, out: Path) -> list[Path]:
    from benchd.cli.job_files import gather_job
    from benchd.report.plots import plot_job

    folder = out / "plots" / job.recipe
    folder.mkdir(parents=True, exist_ok=True)
    return plot_job(gather_job(client, job.id), folder)


def _first(paths: list[Path]) -> str:
    """The picture to look at first: one with results in it."""
    drawn = [path for path in paths if path.suffix == ".png"]
    return str(next((path for path in drawn if "return-loss.png" in path.name), "none"))


def first_of_each_kind(topics: Iterable[str]) -> dict[str, int]:
    """The topics to show, each with how many of its kind it stands for.

    An antenna has a topic `latest` and one `reading` for each of its quantities, two dozen in all.
    """
    found: dict[str, int] = {}
    first: dict[tuple[str, ...], str] = {}
    for topic in topics:
        parts = topic.split("/")
        kind = tuple(parts[:4]) if parts[2:3] in (["latest"], ["reading"]) else (topic,)
        if kind in first:
            found[first[kind]] += 1
        else:
            first[kind] = topic
            found[topic] = 0
    return found


def _show_messages(subscriber: DemoSubscriber, client: Daemon, ids: list[str]) -> None:
    """What a subscriber that knows nothing but the topic saw on the broker."""
    subscriber.wait_for_results(sum(len(client.get("/api/results", job=job)) for job in ids))
    screen = screen_of(sys.stdout)
    shown = table("Topic", "Messages", "The last of them")
    received = subscriber.by_topic()
    for topic, more in first_of_each_kind(received).items():
        last = plain(message_words(received[topic][-1]))
        words = f"{last} ({more} more quantities)" if more else last
        shown.add_row(cell(topic), cell(str(len(received[topic]))), cell(words))
    gaps = "none" if not subscriber.gaps else str(subscriber.gaps)
    say("\nWhat a subscriber of the broker received (gaps in the sequence: " + gaps + ")")
    say(render(shown, screen))
