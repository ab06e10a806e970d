"""The register of antennas: files beside the bench file, which several benches may share.

A register file holds `antennas:` and nothing else, as a bench file may. Antennas of the bench file
and of all its registers count together; a name stands in one place only.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic import Field

from benchd.bench.antennas import Antenna
from benchd.errors import BenchFileError, Problem
from benchd.files.fields import Label
from benchd.files.filemodel import FileModel, try_model
from benchd.files.yamlfile import Document, read_document

REGISTER_FILE = "antennas.yaml"
REGISTER_FOLDER = "antennas"
ENDINGS = (".yaml", ".yml")


class RegisterFile(FileModel):
    """A whole register file."""

    antennas: dict[Label, Antenna] = Field(default_factory=dict, description="name -> antenna")


@dataclass(frozen=True, slots=True)
class Registered:
    """One antenna of a register, and the file that it stands in."""

    name: str
    antenna: Antenna
    document: Document


def register_places(bench_file: Path, stated: Sequence[str] | None) -> list[Path]:
    """Where the registers of a bench file lie: what it states, else the usual places beside it."""
    folder = bench_file.parent
    if stated is not None:
        return [folder / one for one in stated]
    return [folder / REGISTER_FILE, folder / REGISTER_FOLDER]


def register_files(bench_file: Path, stated: Sequence[str] | None) -> list[Path]:
    """The register files of a bench file, in order; those of a folder by their names.

    Raises BenchFileError for a stated place that does not exist or cannot be looked into.
    """
    found: list[Path] = []
    for place in register_places(bench_file, stated):
        try:
            if place.is_dir():
                found += sorted(one for one in place.iterdir() if one.suffix in ENDINGS)
            elif place.exists():
                found.append(place)
            elif stated is not None:
                message = "does not exist; make it, a file may be empty, or mend `register:`"
                raise BenchFileError([Problem(str(place), 0, 0, "", message)])
        except OSError as cause:
            message = f"cannot be read: {cause.strerror}"
            raise BenchFileError([Problem(str(place), 0, 0, "", message)]) from cause
    return found


def read_registers(files: Iterable[Path]) -> list[Document]:
    """Register files as documents. Raises BenchFileError with the first that cannot be read."""
    return [read_document(file, error=BenchFileError) for file in files]


def registered(documents: Iterable[Document]) -> tuple[list[Registered], list[Problem]]:
    """The antennas of register files, in order, and what is wrong with the files."""
    found: list[Registered] = []
    problems: list[Problem] = []
    for document in documents:
        if document.data is None:
            continue  # an empty file, or one with comments only
        register, faults = try_model(RegisterFile, document.data, document)
        problems += faults
        if register is not None:
            found += [Registered(name, one, document) for name, one in register.antennas.items()]
    return found, problems


def together(
    own: dict[str, Antenna], bench: Document, more: Iterable[Registered]
) -> tuple[dict[str, Antenna], list[Problem]]:
    """Antennas of the bench file and of its registers; a name that stands twice is a problem."""
    antennas = dict(own)
    places = {name: (bench, bench.place(("antennas", name), on_key=True)[0]) for name in own}
    problems = []
    for one in more:
        path = ("antennas", one.name)
        if one.name in antennas:
            document, line = places[one.name]
            message = f"stands in {document.file}, line {line}, too; take one out or rename it"
            problems.append(one.document.problem(path, message, on_key=True))
            continue
        antennas[one.name] = one.antenna
        places[one.name] = (one.document, one.document.place(path, on_key=True)[0])
    return antennas, problems
