"""`benchd compare`: whether two jobs, captures or antennas differ, and would it have been seen.

The daemon compares as the reduction `revision-comparison` does: what both share cancels.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any

import typer

from benchd.cli.as_json import to_text
from benchd.cli.client import DEFAULT_URL, Daemon
from benchd.cli.connection import connect
from benchd.cli.options import AsJson, DaemonUrl
from benchd.cli.screen import Screen, cell, plain, render, say, screen_of, table
from benchd.errors import OrderRefused
from benchd.quantities import DIFFERENCE
from benchd.wording import quantity_words

Document = Mapping[str, Any]

DIFFERS, NOT_SHOWN, CANNOT_TELL = "differs", "no difference shown", "cannot tell"
STYLES = {DIFFERS: "bold yellow", NOT_SHOWN: "green", CANNOT_TELL: "bold"}

NOT_MEASURED = frozenset({"path-broken", "overload", "uncalibrated", "no-noise-margin"})
"""Flags of a value that says nothing of the antenna."""

Side = Annotated[str, typer.Argument(help="An antenna's name, or the id of a job or of a capture.")]


@dataclass(frozen=True)
class Chosen:
    """One side of a comparison. job: None for the newest result of the antenna."""

    antenna: str
    job: str | None

    @property
    def words(self) -> str:
        """As a person calls it."""
        return f"{self.antenna} in {self.job}" if self.job else self.antenna


def compare(
    first: Side,
    second: Side,
    antenna: Annotated[
        str | None,
        typer.Option("--antenna", metavar="NAME", help="Of jobs with several antennas, this one."),
    ] = None,
    quantity: Annotated[
        str | None,
        typer.Option(
            "--quantity", metavar="NAME", help="Only this quantity, such as resonance_frequency."
        ),
    ] = None,
    json: AsJson = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:
    """Hold two antennas, jobs or captures against each other: the second less the first.

    Of each quantity it says "differs", "no difference shown" or "cannot tell". Errors that both
    share, such as those of the coupler and the baseline, cancel.
    """
    with connect(daemon) as client:
        one, other = sides(client, first, second, antenna)
        found = client.get(
            "/api/comparison",
            first=one.antenna, second=other.antenna, first_job=one.job, second_job=other.job,
            quantity=quantity,
        )  # fmt: skip
    screen = screen_of(sys.stdout)
    told = [{**each, "said": said_of(each)} for each in found["differences"]]
    whole = {**found, "first_job": one.job, "second_job": other.job, "differences": told}
    say(to_text(whole, indent=2) if json else format_comparison(whole, (one, other), screen))


def said_of(difference: Document) -> str:
    """What a difference says: its interval leaves zero out, holds it, or is not known.

    An interval with one end says "differs" where that end leaves zero out; else nothing is known
    of how far it may reach beyond zero.
    """
    if NOT_MEASURED & set(difference["flags"]):
        return CANNOT_TELL
    if difference["sure"]:
        return DIFFERS
    ends = [difference["low"], difference["high"]]
    return NOT_SHOWN if all(isinstance(end, int | float) for end in ends) else CANNOT_TELL


def sides(
    client: Daemon, first: str, second: str, antenna: str | None = None
) -> tuple[Chosen, Chosen]:
    """What both sides stand for. Raises OrderRefused where that is not clear."""
    one, other = _antennas(client, first), _antennas(client, second)
    pair = _pair(one, other, antenna)
    if pair[0].antenna != pair[1].antenna:
        return pair
    if pair[0].job is None and pair[1].job is None:
        raise OrderRefused(
            f'both are "{pair[0].antenna}".',
            advice="Name two jobs of it: benchd results lists them.",
        )
    if pair[0].job == pair[1].job:
        raise OrderRefused(f"both are {pair[0].words}.", advice="Name two jobs, or two antennas.")
    if pair[0].job is None:
        return _other_job(client, pair[0], str(pair[1].job)), pair[1]
    if pair[1].job is None:
        return pair[0], _other_job(client, pair[1], pair[0].job)
    return pair


def _antennas(client: Daemon, what: str) -> list[Chosen]:
    """The antennas that a job or a capture has results of, or the antenna itself."""
    if what.startswith("job-"):
        client.get(f"/api/jobs/{what}")  # an unknown job is named as such
        names = dict.fromkeys(
            str(one["result"]["antenna"])
            for one in client.get("/api/results", job=what, limit=10_000)
            if one["result"]["antenna"] and not one["result"]["quantity"].endswith(DIFFERENCE)
        )
        if not names:
            raise OrderRefused(
                f"{what} has no results of an antenna.",
                advice="benchd plot draws what it has recorded over other captures.",
            )
        return [Chosen(name, what) for name in names]
    if what.startswith("cap-"):
        return [_of_capture(client, what)]
    return [Chosen(what, None)]


def _of_capture(client: Daemon, capture_id: str) -> Chosen:
    """The job's results that come from this capture and no other of its antenna."""
    capture = client.get(f"/api/captures/{capture_id}")
    name, job = capture["antenna"], str(capture["job_id"])
    if not name:
        raise OrderRefused(
            f"{capture_id} is a capture of {capture['role']}, not of an antenna.",
            advice="benchd plot draws several captures over each other.",
        )
    records = client.get("/api/results", job=job, antenna=name, limit=10_000)
    used = {record["step"] for record in records if capture_id in record["result"]["captures"]}
    if not used:
        raise OrderRefused(
            f"no result rests on {capture_id}.", advice="benchd plot draws it over other captures."
        )
    if len({record["step"] for record in records}) > 1:
        raise OrderRefused(
            f"{job} has more than one result of {name}, so {capture_id} alone cannot be compared.",
            advice=f"Compare the whole job: benchd compare {job} ...",
        )
    return Chosen(str(name), job)


def _pair(
    one: Sequence[Chosen], other: Sequence[Chosen], antenna: str | None
) -> tuple[Chosen, Chosen]:
    if antenna is not None:
        one = [each for each in one if len(one) == 1 or each.antenna == antenna]
        other = [each for each in other if len(other) == 1 or each.antenna == antenna]
        if not one or not other:
            raise OrderRefused(f'there is no result of "{antenna}" in both.', where="--antenna")
    if len(one) == 1 and len(other) == 1:
        return one[0], other[0]
    common = [each for each in one if each.antenna in {more.antenna for more in other}]
    if len(common) == 1:
        match = next(each for each in other if each.antenna == common[0].antenna)
        return common[0], match
    names = dict.fromkeys(each.antenna for each in (*one, *other))
    raise OrderRefused(
        f"they have results of several antennas: {', '.join(names)}.",
        advice="Say which: --antenna NAME.",
    )


def _other_job(client: Daemon, side: Chosen, not_job: str) -> Chosen:
    """The newest job with results of the antenna, apart from the one on the other side."""
    for record in client.get("/api/results", antenna=side.antenna, limit=10_000):
        if record["job_id"] != not_job and not record["result"]["quantity"].endswith(DIFFERENCE):
            return replace(side, job=str(record["job_id"]))
    raise OrderRefused(f'there is no other job with results of "{side.antenna}" than {not_job}.')


def format_comparison(found: Document, pair: tuple[Chosen, Chosen], screen: Screen) -> str:
    """A row for each quantity, then why others could not be told."""
    lines = [plain(f"First: {pair[0].words}. Second: {pair[1].words}.")]
    made = table("Quantity", "At", "Second less first, 95 % interval", "Said")
    for one in found["differences"]:
        words = quantity_words(str(one["quantity"]).removesuffix(DIFFERENCE))
        said = str(one["said"])
        made.add_row(
            cell(words),
            cell(str(one["where"]) or "-"),
            cell(str(one["text"]), "bold"),
            cell(said, STYLES[said]),
        )
    if found["differences"]:
        lines.append(render(made, screen))
    lines += [plain(text) for text in _notes(found["differences"])]
    why: dict[str, list[str]] = {}
    for one in found["refused"]:
        why.setdefault(str(one["message"]), []).append(quantity_words(str(one["quantity"])))
    if not found["differences"]:
        lines += [plain(f"{CANNOT_TELL.capitalize()}: {message}.") for message in why]
    else:
        lines += [
            plain(f"{', '.join(names)}: not compared: {message}.")
            for message, names in why.items()
            if not message.startswith(NEVER_MEASURED)
        ]
    return "\n".join(lines)


NEVER_MEASURED = "there is no stored "
"""How a refusal begins where one side has no such quantity: most antennas have not all of them."""

_WHICH = re.compile(r" ([^.]* in job-[a-z0-9]+ was the first\.)$")


def _notes(differences: Sequence[Document]) -> list[str]:
    """What would have been seen, by quantity; which results were taken, once below."""
    notes: dict[str, None] = {}
    taken: dict[str, None] = {}
    for one in differences:
        note = str(one["note"])
        which = _WHICH.search(note)
        if which is not None:
            taken[which[1]] = None
            note = note[: which.start()]
        if note:
            notes[f"{quantity_words(str(one['quantity']).removesuffix(DIFFERENCE))}: {note}"] = None
    return [*notes, *taken]
