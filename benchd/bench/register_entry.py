"""Adding an antenna to the register: one more entry at the end, everything else as it was.

The file is not rewritten from what was read, since its comments, its order and its spellings
belong to the person. The new entry is text put at the end of `antennas:`; the whole file is then
read again, and replaces the old one only where it says what it said before and the new antenna.
"""

from __future__ import annotations

import fcntl
import json
import os
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from benchd.bench.bench import BenchText, parse_written, read_bench
from benchd.bench.family import REVISION
from benchd.bench.register import REGISTER_FILE, register_places
from benchd.errors import BenchFileError, OrderRefused, Problem
from benchd.files.yamlfile import Document, nearest, parse_document
from benchd.statefolder import write_durably
from benchd.untrusted import whole_number

TRIM_KEYS = ("arm", "arms", "arm_uncertainty", "diameter", "scaling_error")
ANTENNA_KEYS = (
    "revision", "type", "design_frequency", "largest_dimension", "phase_centre", "coupling", "note",
    "revises",
)  # fmt: skip
NOT_TAKEN_OVER = ("reference", "least_return_loss", "note", "revision", "revises")
"""What holds for the antenna it was stated for, and not for one that was changed."""

_PLAIN = re.compile(r"[^\W_](?:[\w .°%/+-]*[\w°%])?")
_HEADING = "# Antennas of this workshop: what is measured, and what against.\nantennas:\n"


def add_antenna(
    bench_file: Path, name: str, start: str | None, changes: Mapping[str, str]
) -> tuple[str, Path]:
    """Add an antenna to the register of a bench file.

    start: name of the antenna that it is a revision of; None for a new one.
    changes: keys of an antenna (`revision`, `design_frequency`...) or of its trim (`arm`...), with
        values as one writes them in the file ("41.2 mm").
    Returns the entry as it was written, and the file. Raises OrderRefused for a name that is taken
    or unknown, BenchFileError for values and files that cannot be read; then nothing is changed.
    """
    place = register_places(bench_file, read_bench(bench_file)[0].registers)[0]
    with _alone(place if place.is_dir() else place.parent):
        bench, written = read_bench(bench_file)
        if name in bench.antennas:
            raise OrderRefused(
                f'there is an antenna "{name}" already', advice="Give the new one another name."
            )
        entry: dict[str, Any] = {}
        if start is not None:
            entry = _taken_over(_entry_of(written, start))
        _change(entry, name, changes)
        target, index = _target(bench_file, bench.registers, written)
        text = written[index][1] if index is not None else ""
        block = _block(name, entry)
        fresh = _with_entry(text, block, target)
        at = index if index is not None else len(written)
        others = (*written[:at], (str(target), fresh), *written[at + 1 :])
        _same_and_more(bench.antennas, name, others)
        try:
            mode = os.stat(target).st_mode & 0o777 if target.exists() else None
            write_durably(target.resolve(), fresh)
            if mode is not None:
                os.chmod(target, mode)
        except OSError as cause:
            raise BenchFileError(
                [Problem(str(target), 0, 0, "", f"cannot be written: {cause.strerror}")]
            ) from cause
    return block, target


@contextmanager
def _alone(place: Path) -> Iterator[None]:
    """One change at a time in the register's folder, also between benches that share it."""
    try:
        folder = os.open(place, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except OSError as cause:
        raise BenchFileError(
            [Problem(str(place), 0, 0, "", f"cannot be read: {cause.strerror}")]
        ) from cause
    try:
        fcntl.flock(folder, fcntl.LOCK_EX)
        yield
    finally:
        os.close(folder)


def _entry_of(written: BenchText, name: str) -> dict[str, Any]:
    """The antenna's entry as it is written. Raises OrderRefused where there is none."""
    known: dict[str, Any] = {}
    for file, text in written:
        data = parse_document(text, file=file, error=BenchFileError).data
        known |= (data or {}).get("antennas") or {}
    if name not in known:
        raise OrderRefused(
            f'there is no antenna "{name}" to start from, {nearest(name, known)}',
            advice="`benchd antenna list` shows them.",
        )
    return dict(known[name])


def _taken_over(entry: Mapping[str, Any]) -> dict[str, Any]:
    """What also holds for a revision of it. Its lengths are kept until they are changed."""
    kept = {key: value for key, value in entry.items() if key not in NOT_TAKEN_OVER}
    if isinstance(kept.get("trim"), dict):
        kept["trim"] = dict(kept["trim"])
    return kept


def _change(entry: dict[str, Any], name: str, changes: Mapping[str, str]) -> None:
    for key, value in changes.items():
        if key in TRIM_KEYS:
            entry.setdefault("trim", {})[key] = _arms(value) if key == "arms" else value
        elif key in ANTENNA_KEYS:
            entry[key] = value
        else:
            known = (*ANTENNA_KEYS, *TRIM_KEYS)
            raise OrderRefused(f'an antenna has no "{key}", {nearest(key, known)}')
    last = name.split()[-1:]  # a name of blanks has none; it is refused when it is read
    if "revision" not in entry and last and REVISION.fullmatch(last[0]):
        entry["revision"] = last[0]


def _arms(text: str) -> int:
    try:
        return whole_number(text)
    except ValueError:
        raise OrderRefused(f'"arms" is a whole number, found "{text[:40]}"') from None


def _target(
    bench_file: Path, stated: list[str] | None, written: BenchText
) -> tuple[Path, int | None]:
    """The file to write to, and where it stands in `written`; None for a file that is new."""
    place = register_places(bench_file, stated)[0]
    if place.is_dir():
        place = place / REGISTER_FILE
    for index, (file, _) in enumerate(written[1:], start=1):
        if Path(file) == place:
            return place, index
    return place, None


def _with_entry(text: str, block: str, target: Path) -> str:
    """The file's text with one more entry at the end of `antennas:`."""
    document = parse_document(text, file=str(target), error=BenchFileError)
    if document.data is None:
        # Empty, or comments only: they stay at its head.
        head = text if not text or text.endswith("\n") else f"{text}\n"
        return f"{head}{_HEADING if not text.strip() else 'antennas:' + chr(10)}{block}"
    antennas = document.data.get("antennas") if isinstance(document.data, dict) else None
    if not antennas:
        # `antennas:` with nothing below it.
        whole = text if text.endswith("\n") else f"{text}\n"
        return re.sub(r"(?m)^antennas:[ \t]*(?:\{\}|null|~)?[ \t]*$", "antennas:", whole) + block
    indent = _indent(document)
    whole = text if text.endswith("\n") else f"{text}\n"
    return whole + "".join(
        f"{' ' * (indent - 2)}{line}" if indent > 2 else line[2 - indent :]
        for line in block.splitlines(keepends=True)
    )


def _indent(document: Document) -> int:
    """Blanks before the names of antennas."""
    first = next(iter(document.data["antennas"]))
    column = document.key_places[("antennas", first)][1]
    return column - 1


def _block(name: str, entry: Mapping[str, Any]) -> str:
    lines = [f"  {_scalar(name)}:\n"]
    lines += [f"    {key}: {_value(value)}\n" for key, value in entry.items()]
    return "".join(lines)


def _value(value: Any) -> str:
    """A value in YAML, on one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_scalar(key)}: {_value(one)}" for key, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_value(one) for one in value) + "]"
    if isinstance(value, str):
        return _scalar(value)
    return json.dumps(value)


def _scalar(text: str) -> str:
    """Text in YAML: plain where it reads back as itself, else in double quotes as JSON has it."""
    if _PLAIN.fullmatch(text):
        try:
            if parse_document(f"x: {text}", file="", error=BenchFileError).data == {"x": text}:
                return text
        except BenchFileError:
            pass
    return json.dumps(text, ensure_ascii=False)


def _of_new(problem: Problem, name: str) -> Problem:
    """A problem of the new antenna, told by its key: the line is in no file yet."""
    start = f"antennas.{name}"
    if not problem.key.startswith(start):
        return problem
    key = problem.key.removeprefix(start).removeprefix(".")
    return Problem(f'antenna "{name}"', 0, 0, key, problem.message)


def _same_and_more(before: Mapping[str, Any], name: str, written: BenchText) -> None:
    """Read the changed files: they must say what they said, and the new antenna."""
    try:
        after = parse_written(written).antennas
    except BenchFileError as refusal:
        raise BenchFileError([_of_new(one, name) for one in refusal.problems]) from refusal
    rest = {key: one for key, one in after.items() if key != name}
    if name not in after or rest != dict(before):
        file = written[-1][0]
        message = (
            "an antenna cannot be added at its end; write its antennas in lines of their own, "
            "below `antennas:`"
        )
        raise BenchFileError([Problem(file, 0, 0, "antennas", message)])
