"""Serial numbers as a person types them: 001-020, A7,A9, or a file with one on each line."""

from __future__ import annotations

import re
from pathlib import Path

from benchd.errors import UserError
from benchd.job_request import SERIAL_FORM, SERIAL_WORDS
from benchd.untrusted import LARGEST_FILE_BYTES, read_text, why

MOST_SERIALS = 500
_RANGE = re.compile(r"(?P<head>.*?)(?P<first>[0-9]+)-(?P<again>.*?)(?P<last>[0-9]+)")


def read_serials(text: str | None, file: Path | None) -> list[str]:
    """The serial numbers in their order. Raises UserError.

    text: parts with commas between; "001-020" and "A01-A20" (or "A01-20") are all from the first to
    the last, with as many digits as the first has. file: one on each line; "#" begins a remark.
    """
    if (text is None) == (file is None):
        raise UserError(
            "give the serial numbers either by --serials or by --serials-file.", where="batch"
        )
    found = _from_text(text) if text is not None else _from_file(file or Path())
    option = "--serials" if text is not None else "--serials-file"
    if not found:
        raise UserError("there is no serial number.", where=option)
    if len(found) > MOST_SERIALS:
        raise UserError(
            f"{len(found)} serial numbers are too many; a batch holds {MOST_SERIALS}.", where=option
        )
    for one in found:
        if not re.fullmatch(SERIAL_FORM, one, re.ASCII):
            raise UserError(f'"{one[:60]}" is no serial number: {SERIAL_WORDS}.', where=option)
        if found.count(one) > 1:
            raise UserError(f'the serial number "{one}" is given twice.', where=option)
    return found


def _from_text(text: str) -> list[str]:
    return [serial for part in text.split(",") if part.strip() for serial in _of_part(part.strip())]


def _of_part(part: str) -> list[str]:
    found = _RANGE.fullmatch(part)
    if found is None or found["again"] not in ("", found["head"]):
        return [part]
    first, last, digits = int(found["first"]), int(found["last"]), len(found["first"])
    if last < first:
        raise UserError(
            f'"{part}" counts down.',
            where="--serials",
            advice="Write a range from the least to the greatest; numbers that hold a hyphen "
            "themselves go into a file (--serials-file).",
        )
    if last - first >= MOST_SERIALS:
        raise UserError(
            f'"{part}" is {last - first + 1} serial numbers; a batch holds {MOST_SERIALS}.',
            where="--serials",
        )
    return [f"{found['head']}{number:0{digits}d}" for number in range(first, last + 1)]


def _from_file(file: Path) -> list[str]:
    try:
        lines = read_text(file, LARGEST_FILE_BYTES).splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"cannot read {file}: {why(error)}.", where="--serials-file") from error
    return [words for line in lines if (words := line.partition("#")[0].strip())]
