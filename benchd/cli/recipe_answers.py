"""What `benchd new-recipe` does: a recipe from a question, or from options that say the same."""

from __future__ import annotations

import math
from pathlib import Path

from benchd.bench import Bench, load_bench
from benchd.cli.dialogue import rising
from benchd.cli.offline import resolve_offline
from benchd.cli.screen import note, plain, say
from benchd.errors import BenchdError, UserError
from benchd.recipe import load_recipe
from benchd.recipe.from_question import Places, recipe_name, recipe_text
from benchd.recipe.question import QUANTITIES, UNDERSTOOD, WAYS, Question, read_question
from benchd.units import Kind, UnitError, parse

_STANDARDS = ("open", "short", "antenna")


def write_recipe(
    question: str | None,
    quantity: list[str] | None,
    antenna: str | None,
    band: str | None,
    at: list[str] | None,
    by: str | None,
    bench: Path | None,
    out: Path | None,
) -> None:
    """Write the recipe and check it. Raises BenchdError; then no file is left."""
    loaded = None if bench is None else load_bench(bench)
    names = [] if loaded is None else list(loaded.antennas)
    asked = read_question(question, names) if question is not None else Question()
    _add_options(asked, quantity, antenna, band, at, by)
    candidates = _candidates(asked, loaded)
    asked.kind = _type_of(asked, loaded)
    places = _places(asked, loaded)
    text = recipe_text(asked, places)
    file = out if out is not None else Path(f"{recipe_name(asked)}.yaml")
    if file.suffix not in (".yaml", ".yml"):
        raise UserError(f"{file} must end in .yaml, by which commands know a file.", where="--out")
    load_recipe(text, file=str(file))
    _write(file, text)
    passes = ""
    if bench is not None:
        try:
            _check(file, bench, asked, candidates)
        except BaseException:
            file.unlink()
            raise
        passes = f" and passes the check on {bench}"
    note(plain(f"Understood: {asked.words()}."))
    say(plain(f"{file} is written{passes}."))
    given = "" if asked.antenna else f' -p antenna="{candidates[0] if candidates else "NAME"}"'
    bench_words = "" if bench is None else f" --bench {bench}"
    say(plain(f"Next: benchd check {file}{given}{bench_words}"))


def _add_options(
    asked: Question,
    quantities: list[str] | None,
    antenna: str | None,
    band: str | None,
    at: list[str] | None,
    by: str | None,
) -> None:
    for one in quantities or []:
        if one not in QUANTITIES:
            raise UserError(
                f'"{one}" is no quantity; there are {", ".join(QUANTITIES)}.', where="--quantity"
            )
    named = {*asked.quantities, *(quantities or [])}
    asked.quantities = [one for one in QUANTITIES if one in named]
    if not asked.quantities:
        raise UserError(
            "nothing to measure is named: give a question, or --quantity.",
            where="new-recipe",
            advice=f"A question may hold: {UNDERSTOOD}.",
        )
    if by is not None and by not in WAYS:
        raise UserError(f'"{by}" is neither hand nor switch.', where="--by")
    asked.antenna = antenna or asked.antenna
    asked.way = by or asked.way
    try:
        if band is not None:
            low, high = rising(Kind.FREQUENCY)(band)
            asked.band_hz = parse(low, Kind.FREQUENCY), parse(high, Kind.FREQUENCY)
        asked.at_hz += [parse(one, Kind.FREQUENCY) for one in at or []]
    except (UnitError, ValueError) as error:
        raise UserError(f"{error}.", where="--band" if band is not None else "--at") from error


def _candidates(asked: Question, bench: Bench | None) -> list[str]:
    """Antennas of the bench that may be meant; one alone becomes the recipe's default.

    Raises UserError for a name that the bench does not know.
    """
    if bench is None:
        return [asked.antenna] if asked.antenna else []
    if asked.antenna:
        if asked.antenna not in bench.antennas:
            raise UserError(
                f'the bench has no antenna "{asked.antenna}"; it has {", ".join(bench.antennas)}.',
                where="new-recipe",
            )
        return [asked.antenna]
    meant = [
        name
        for name, one in bench.antennas.items()
        if asked.kind and (one.type == asked.kind or asked.kind in name.lower())
    ]
    if len(meant) == 1:
        asked.antenna = meant[0]
    return meant or list(bench.antennas)


def _type_of(asked: Question, bench: Bench | None) -> str:
    """The type of the antenna, by the bench where the question does not say it."""
    known = None if bench is None else bench.antennas.get(asked.antenna)
    return asked.kind or (known.type if known is not None and known.type else "")


def _places(asked: Question, bench: Bench | None) -> Places:
    """Routes and positions by the bench; without one, as the shipped recipes call them."""
    if bench is None:
        if asked.way != "switch":
            return Places()
        return Places(
            open="open", short="short", antenna="antenna",
            reference_mount="mount_a", antenna_mount="mount_b",
        )  # fmt: skip
    reflecting = [name for name, one in bench.routes.items() if one.kind == "reflection"]
    ranging = [name for name, one in bench.routes.items() if one.kind == "transmission"]
    reflects = bool({"match", "resonance", "bandwidth"} & set(asked.quantities))
    for needed, routes, kind in (
        (reflects, reflecting, "reflection"),
        ("gain" in asked.quantities, ranging, "transmission"),
    ):
        if needed and not routes:
            raise UserError(f"the bench has no route of the kind {kind}.", where="new-recipe")
    at_port = list(bench.routes[reflecting[0]].positions) if reflecting else []
    mounts = list(bench.routes[ranging[0]].positions) if ranging else []
    switched = all(one in at_port for one in _STANDARDS) if reflects else len(mounts) >= 2
    asked.way = asked.way or ("switch" if switched else "hand")
    fitted = {one: one if one in at_port else (at_port or ["none"])[0] for one in _STANDARDS}
    if asked.way == "hand":
        # By hand all parts are fitted to one place.
        fitted = dict.fromkeys(_STANDARDS, fitted["antenna"])
    reference_mount = mounts[0] if mounts else "none"
    other_mount = mounts[1] if len(mounts) > 1 else reference_mount
    return Places(
        reflection=(reflecting or ["middle"])[0],
        range=(ranging or ["range"])[0],
        reference_mount=reference_mount,
        antenna_mount=reference_mount if asked.way == "hand" else other_mount,
        reach_hz=_reach_hz(bench, reflecting[0]) if reflecting else (0.0, math.inf),
        **fitted,
    )


def _reach_hz(bench: Bench, route: str) -> tuple[float, float]:
    """From where to where both source and analyzer of a route work."""
    both = bench.source_of(bench.routes[route]), bench.analyzer_of(bench.routes[route])
    return (
        max(one.frequency_hz.least for one in both),
        min(one.frequency_hz.most for one in both),
    )


def _write(file: Path, text: str) -> None:
    try:
        with file.open("x", encoding="utf-8") as stream:
            stream.write(text)
    except FileExistsError:
        raise UserError(
            f"{file} is there already; name another file with --out.", where="new-recipe"
        ) from None
    except OSError as error:
        raise UserError(f"{file} cannot be written: {error.strerror}.") from error


def _check(file: Path, bench: Path, asked: Question, candidates: list[str]) -> None:
    """Raises BenchdError where the recipe does not pass on the bench."""
    arguments = {} if asked.antenna else {"antenna": candidates[0]}
    try:
        resolve_offline(str(file), bench, [], arguments)
    except BenchdError as refusal:
        raise UserError(
            f"the recipe would not pass on {bench}, so it is not kept: {refusal}",
            where="new-recipe",
        ) from refusal
