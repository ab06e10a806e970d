"""What `benchd new-bench` does: asks what stands on the bench, and writes a bench file of it."""

from __future__ import annotations

import tempfile
from pathlib import Path
from zoneinfo import ZoneInfoNotFoundError

from benchd.bench.antennas import RELATIVE_SPANS
from benchd.bench.cable_types import TYPES, cable_type
from benchd.cli.bench_text import Answers, Cable, Part, bench_text
from benchd.cli.dialogue import Dialogue, Refusal, name, quantity, rising
from benchd.cli.find_instruments import Found, address_of, find
from benchd.cli.offline import resolve_offline
from benchd.cli.screen import plain, say
from benchd.errors import BenchdError, UserError
from benchd.moments import zone_named
from benchd.recipe.sweeps import widest_span_hz
from benchd.units import Kind, parse, show
from benchd.untrusted import whole_number

_CABLES = {
    "source_cable": "From the source to the coupler",
    "port_cable": "From the coupler to the antenna's port",
    "sense_cable": "From the coupled arm to the analyzer or power meter",
}
_POSITIONS = ("open", "short", "antenna")


def write_bench(out: Path, *, search: bool) -> None:
    """Ask, and write the bench file. Raises UserError; then nothing was written.

    search: look for instruments first.
    """
    if out.exists():
        raise UserError(f"{out} is there already; name another file with --out.", where="new-bench")
    dialogue = Dialogue()
    answers = _asked(dialogue, search=search)
    text = bench_text(answers)
    recipe = "return-loss-by-hand" if answers.switch is None else "open-short-baseline"
    arguments = {"antenna": answers.antenna}
    narrower = _narrower_span(answers)
    if narrower is not None:
        arguments["span"] = narrower
    _check(text, recipe, arguments)
    try:
        with out.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise UserError(f"{out} came into being meanwhile; it is left as it is.") from None
    except OSError as error:
        raise UserError(f"{out} cannot be written: {error.strerror}.") from error
    say(plain(f"{out} is written and passes the check. Next:"))
    given = " ".join(f'-p {key}="{value}"' for key, value in arguments.items())
    say(plain(f"  benchd check {recipe} {given} --bench {out}"))
    say(plain(f"  benchd serve --bench {out}"))
    say("  benchd instruments --test")
    if narrower is not None:
        say(
            plain(
                f"A usual sweep of {answers.antenna} would reach beyond what source and receiver "
                f'can do. Give each recipe -p span="{narrower}", and benchd trim --span.'
            )
        )


def _narrower_span(answers: Answers) -> str | None:
    """The span that source and receiver can do, where the antenna's usual one is too wide for
    them; None where it fits, as it mostly does."""
    rows = dict(answers.antenna_rows)
    design_hz = parse(rows["design_frequency"], Kind.FREQUENCY)
    widest_hz = widest_span_hz(design_hz, answers.band_hz)
    if RELATIVE_SPANS[rows["type"]] * design_hz <= widest_hz:
        return None
    return show(widest_hz // 1e6 * 1e6 or widest_hz, "Hz")


def _check(text: str, recipe: str, arguments: dict[str, str]) -> None:
    """Raises BenchdError where the file would not pass; then nothing is written."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "bench.yaml"
        file.write_text(text, encoding="utf-8")
        try:
            resolve_offline(recipe, file, [], arguments)
        except BenchdError as refusal:
            message = str(refusal).replace(f"{file}:", "line ")
            raise UserError(
                f"these answers make no bench that passes the check: {message}",
                advice="Nothing was written. Answer again.",
            ) from refusal


def _asked(dialogue: Dialogue, *, search: bool) -> Answers:
    found = find(dialogue) if search else Found()
    bench = dialogue.ask("A name for the bench", "topics and results carry it.", name, "my-bench")
    title = dialogue.ask(
        "A line about it", "it heads sheets and lists.", _line, "Source, coupler and analyzer"
    )
    zone = dialogue.ask(
        "Its time zone", "windows such as --not-before 22:00 are meant in it.", _zone, "UTC"
    )
    source, source_hz = _source(dialogue, found)
    receiver, receiver_hz = _receiver(dialogue, found)
    band_hz = max(source_hz[0], receiver_hz[0]), min(source_hz[1], receiver_hz[1])
    if not band_hz[0] < band_hz[1]:
        raise UserError(
            "source and receiver have no frequency in common; nothing was written.",
            advice="Answer again with the ranges of their data sheets.",
        )
    coupler = _coupler(dialogue)
    known = ", ".join(one.name for one in TYPES)
    dialogue.say(
        f"\nCables: a type and a length (RG-402 0.3 m), or a loss (0.2 dB). Types: {known}."
    )
    cables = {
        key: dialogue.ask(
            f"{words}: which cable",
            "its loss is taken off levels, and its delay tells where a reflection sits.",
            _cable,
            "RG-402 0.3 m",
        )
        for key, words in _CABLES.items()
    }
    switch, channels = _switch(dialogue, found)
    lid = _lid(dialogue, found)
    inside = dialogue.ask(
        "The box inside, length x width x height",
        "its size tells how long a reflection travels.",
        _inside,
        "600 mm x 400 mm x 400 mm",
    )
    shielded = dialogue.agrees(
        "Is it a metal shield all round?",
        "absorber alone is none: RF then leaves it, and needs a licence.",
        default=False,
    )
    antenna, rows = _antenna(dialogue, band_hz)
    return Answers(
        bench, title, zone, source, receiver, cables, coupler, inside, shielded, antenna, rows,
        band_hz, switch, channels, lid,
    )  # fmt: skip


def _band(dialogue: Dialogue, what: str, default: str) -> tuple[str, tuple[float, float]]:
    low, high = dialogue.ask(
        f"Frequency range of the {what}",
        "a sweep outside it is refused.",
        rising(Kind.FREQUENCY),
        default,
    )
    return f"[{low}, {high}]", (parse(low, Kind.FREQUENCY), parse(high, Kind.FREQUENCY))


def _source(dialogue: Dialogue, found: Found) -> tuple[Part, tuple[float, float]]:
    address, identity = address_of(
        dialogue, found, "signal source", "it radiates: RF OFF is its first word."
    )
    band, band_hz = _band(dialogue, "source", "400 MHz to 6 GHz")
    low, high = dialogue.ask(
        "Levels that it can deliver",
        "the highest one decides whether a job could damage something.",
        rising(Kind.LEVEL),
        "-60 dBm to 15 dBm",
    )
    rows = [("frequency", band), ("level", f"[{low}, {high}]")]
    settle = dialogue.ask(
        "Time to settle after each new frequency",
        "too short a time gives wrong readings, too long a time only costs time.",
        quantity(Kind.TIME, least=0.0),
        "3 ms",
    )
    return Part("source", "scpi-source", address, identity, [*rows, ("settle", settle)]), band_hz


def _receiver(dialogue: Dialogue, found: Found) -> tuple[Part, tuple[float, float]]:
    kind = dialogue.ask(
        "What reads the level: analyzer or power-meter",
        "a power meter has no filter, and reads all power that arrives.",
        _kind,
        "analyzer",
    )
    address, identity = address_of(dialogue, found, kind, "it is asked for every reading.")
    band, band_hz = _band(dialogue, kind, "9 kHz to 6.5 GHz")
    largest = dialogue.ask(
        "The largest level that does not damage its input (or unknown)",
        "a job that could exceed it is refused. Unknown means that you take the risk.",
        _largest,
        None,
    )
    rows = [("frequency", band), ("largest_input", largest)]
    if kind == "power-meter":
        noise = dialogue.ask(
            "Noise of one reading, as a level",
            "readings near it are worth little.",
            quantity(Kind.LEVEL),
            "-60 dBm",
        )
        rows.append(("noise", noise))
    return Part(kind, f"scpi-{kind}", address, identity, rows), band_hz


def _coupler(dialogue: Dialogue) -> list[tuple[str, str]]:
    """What its data sheet says."""
    return [
        (
            key,
            dialogue.ask(
                question, why, quantity(kind, least=0.0 if kind is Kind.RATIO else None), default
            ),
        )
        for key, question, why, kind, default in (
            ("loss", "Loss of the coupler's through arm", "levels need it.", Kind.RATIO, "0.5 dB"),
            ("coupling", "Its coupling", "levels need it.", Kind.RATIO, "16 dB"),
            (
                "directivity",
                "Its directivity",
                "what leaks past it limits each return loss; the recipe coupler measures it.",
                Kind.RATIO,
                "25 dB",
            ),
            (
                "largest_power",
                "The largest level that it bears",
                "a job that could exceed it is refused.",
                Kind.LEVEL,
                "30 dBm",
            ),
        )
    ]


def _switch(dialogue: Dialogue, found: Found) -> tuple[Part | None, dict[str, int]]:
    if not dialogue.agrees(
        "Is there an RF switch between port cable, open, short and antenna?",
        "with one, nights need no hands; without one, benchd asks you to fit the parts.",
        default=False,
    ):
        return None, {}
    address, identity = address_of(dialogue, found, "RF switch", "it is set before each sweep.")
    channels: dict[str, int] = {}
    for place in _POSITIONS:
        channels[place] = dialogue.ask(
            f"Its channel for the {place}", "this number is sent to close it.", _channel,
            str(101 + len(channels)),
        )  # fmt: skip
        if list(channels.values()).count(channels[place]) > 1:
            raise UserError("two positions have one channel; nothing was written.")
    largest = dialogue.ask(
        "The largest level that the switch bears (or unknown)",
        "a job that could exceed it is refused.",
        _largest,
        "30 dBm",
    )
    loss = dialogue.ask("Its loss", "levels need it.", quantity(Kind.RATIO, least=0.0), "0.3 dB")
    rows = [("largest_power", largest), ("loss", loss)]
    return Part("switch", "scpi-switch", address, identity, rows), channels


def _lid(dialogue: Dialogue, found: Found) -> Part | None:
    if not dialogue.agrees(
        "Does a contact tell whether the lid is open?",
        "an opened lid then switches RF off; without it nobody can.",
        default=False,
    ):
        return None
    address, identity = address_of(dialogue, found, "lid contact", "it is asked while RF is on.")
    return Part("lid", "scpi-lid", address, identity)


def _antenna(dialogue: Dialogue, band_hz: tuple[float, float]) -> tuple[str, list[tuple[str, str]]]:
    antenna = dialogue.ask(
        "A first antenna: its name", "results carry it; others follow by benchd antenna add.",
        _label, "dipole r1",
    )  # fmt: skip

    def design(text: str) -> str:
        if not band_hz[0] < parse(text, Kind.FREQUENCY) < band_hz[1]:
            raise Refusal("neither source nor receiver may be asked for less or more than it can")
        return text

    kinds = ", ".join(RELATIVE_SPANS)
    rows = [
        ("revision", '"1"'),
        (
            "type",
            dialogue.ask(
                f"Its type: {kinds}", "it says how wide a sweep such an antenna needs.", _type,
                "dipole",
            ),
        ),
        (
            "design_frequency",
            dialogue.ask(
                "The frequency that it was designed for", "sweeps are laid around it.", design, None
            ),
        ),
        (
            "largest_dimension",
            dialogue.ask(
                "Its largest dimension", "it tells where its far field begins.",
                quantity(Kind.LENGTH, least=1e-4), None,
            ),
        ),
    ]  # fmt: skip
    arm = dialogue.ask_or_skip(
        "The present length of one of its arms, if it can be trimmed",
        "it tells how many mm to take off, from the first look of a trim session on.",
        quantity(Kind.LENGTH, least=1e-4),
    )
    if arm is not None:
        trim = [f"arm: {arm}"]
        usual = "One" if dict(rows)["type"] == "monopole" else "Two"
        arms = dialogue.ask_or_skip(
            "How many arms are trimmed alike",
            f"what is taken off counts for each. {usual}, if skipped.",
            _arms,
        )
        if arms is not None:
            trim.append(f"arms: {arms}")
        diameter = dialogue.ask_or_skip(
            "The diameter of the arm's wire or tube",
            "thin wire follows the rule that length goes as 1/f better; thick is assumed, if "
            "skipped.",
            quantity(Kind.LENGTH, least=1e-5),
        )
        if diameter is not None:
            trim.append(f"diameter: {diameter}")
        rows.append(("trim", f"{{{', '.join(trim)}}}"))
    return antenna, rows


# --- readers of answers ----------------------------------------------------------------------


def _line(text: str) -> str:
    if len(text) > 120 or not text.isprintable():
        raise Refusal("a line of at most 120 signs is needed")
    return text


def _label(text: str) -> str:
    if len(text) > 60 or not all(c.isalnum() or c in " .,-_()" for c in text):
        raise Refusal("a name holds letters, digits, spaces and . , - _ ( )")
    if not text[0].isalnum():
        raise Refusal("a name begins with a letter or a digit")
    return text


def _zone(text: str) -> str:
    try:
        zone_named(text)
    except (ValueError, ZoneInfoNotFoundError):
        raise Refusal(f'"{text}" is no time zone; one is Europe/Berlin, another UTC') from None
    return text


def _kind(text: str) -> str:
    if text not in ("analyzer", "power-meter"):
        raise Refusal("it is analyzer or power-meter")
    return text


def _type(text: str) -> str:
    if text not in RELATIVE_SPANS:
        raise Refusal(f"it is one of {', '.join(RELATIVE_SPANS)}")
    return text


def _arms(text: str) -> int:
    try:
        number = whole_number(text)
    except ValueError:
        raise Refusal("a number of arms is a whole number") from None
    if not 1 <= number <= 8:
        raise Refusal("an antenna has 1 to 8 arms that are trimmed alike")
    return number


def _largest(text: str) -> str:
    return text if text == "unknown" else quantity(Kind.LEVEL)(text)


def _channel(text: str) -> int:
    try:
        number = whole_number(text)
    except ValueError:
        raise Refusal("a channel is a whole number") from None
    if not 0 <= number <= 99_999_999:
        raise Refusal("a channel is a whole number from 0 to 99999999")
    return number


def _inside(text: str) -> list[str]:
    sides = [part.strip() for part in text.split("x")]
    if len(sides) != 3:
        raise Refusal("three lengths with x between them are needed")
    for side in sides:
        if parse(side, Kind.LENGTH) <= 0.0:
            raise Refusal("a length is more than nothing")
    return sides


def _cable(text: str) -> Cable:
    """ "RG-402 0.3 m" or "0.2 dB"."""
    if text[:1].isdigit():
        return Cable(text, loss=quantity(Kind.RATIO, least=0.0)(text))
    words = text.split()
    for count in range(len(words) - 1, 0, -1):
        kind = cable_type(" ".join(words[:count]))
        if kind is not None:
            length_m = parse(" ".join(words[count:]), Kind.LENGTH)
            if not 0.0 < length_m <= 1000.0:
                raise Refusal("a cable is longer than nothing and no longer than 1 km")
            return Cable(text, kind, length_m)
    raise Refusal(f"no such type is known; there are {', '.join(one.name for one in TYPES)}, or "
                  "give its loss in dB")  # fmt: skip
