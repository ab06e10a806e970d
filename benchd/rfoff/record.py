"""The record of sources: how each RF output of a bench is switched off, kept on disk.

It is written before RF first goes on, into the data folder and into the user's state folder, so
that a daemon that cannot read its bench file, its recipes or its database still knows where to
send OFF. One file for each pair of bench file and data folder.

A record is `clean` when the daemon ended with RF verified off. What is not clean was left behind
by a daemon that died.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from benchd.statefolder import state_folder, write_durably

FORMAT = "benchd.rf-sources/1"
_MOST_BYTES = 1 << 20
_HEADED = re.compile(r"\s*:?[A-Za-z*][\w:*]*\s+(\S.*)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class KnownSource:
    """One RF output: where it is, and in which words it is switched off.

    off: messages that end radiation, in order. off_replies: how many replies they bring.
    lowest: messages that set its level to the lowest; used where OFF is not confirmed.
    query: asks whether RF is on; "" where there is no such question.
    off_words, on_words: its replies as `plain` gives them. headed: a header comes before the word.
    resolved: IP addresses of the host when the record was written.
    current: False for an entry of an earlier bench file, kept until verified off.
    """

    name: str
    address: str
    off: tuple[str, ...]
    query: str
    off_replies: int = 0
    lowest: tuple[str, ...] = ()
    off_words: tuple[str, ...] = ("0", "OFF")
    on_words: tuple[str, ...] = ("1", "ON")
    headed: bool = False
    terminator: str = "\n"
    serial: dict[str, Any] = field(default_factory=dict)
    resolved: tuple[str, ...] = ()
    current: bool = True
    bench: str = ""

    @property
    def key(self) -> tuple[str, tuple[str, ...], str]:
        """What makes two entries the same output reached in the same way."""
        return (self.address, self.off, self.query)

    def says_on(self, reply: str) -> bool | None:
        """Whether RF is on by this reply; None where it tells neither."""
        if self.headed:
            match = _HEADED.fullmatch(reply)
            if match is None:
                return None
            reply = match.group(1)
        word = plain(reply)
        if word in self.off_words:
            return False
        return True if word in self.on_words else None


def plain(reply: str) -> str:
    """A reply in capitals, without any blanks: instruments are free in both."""
    return "".join(reply.split()).upper()


@dataclass(frozen=True, slots=True)
class Record:
    """All RF outputs of one bench. `files` are those that it was read from."""

    bench: str
    bench_file: str
    data: str
    clean: bool
    sources: tuple[KnownSource, ...]
    files: tuple[Path, ...] = ()

    def belongs_to(self, bench_file: Path | None, data: Path | None) -> bool:
        """Whether it is of this bench file or this data folder."""
        same_file = bench_file is not None and _real(bench_file) == self.bench_file
        return same_file or (data is not None and _real(data) == self.data)

    def keep(self) -> list[OSError]:
        """Write it into the data folder and the state folder.

        Returns what went wrong; two errors mean that it is kept nowhere.
        """
        text = json.dumps(
            {
                "format": FORMAT,
                "bench": self.bench,
                "bench_file": self.bench_file,
                "data": self.data,
                "clean": self.clean,
                "sources": [asdict(source) for source in self.sources],
            },
            indent=1,
        )
        name = file_name(Path(self.bench_file), Path(self.data))
        troubles = []
        for folder in (Path(self.data), state_folder()):
            try:
                write_durably(folder / name, text + "\n")
            except OSError as error:
                troubles.append(error)
        return troubles


def file_name(bench_file: Path, data: Path) -> str:
    """The record's file name: the same for the same bench file and data folder."""
    both = f"{_real(bench_file)}\0{_real(data)}"
    return f"rf-sources.{hashlib.sha256(both.encode('utf-8', 'replace')).hexdigest()[:16]}.json"


def new_record(bench: str, bench_file: Path, data: Path, sources: Iterable[KnownSource]) -> Record:
    """The record of a bench that is about to be used; not clean."""
    return Record(bench, _real(bench_file), _real(data), False, tuple(sources))


def carried_over(record: Record, earlier: Iterable[Record], verified: set[Any]) -> Record:
    """The record with entries of earlier ones for the same bench that are not verified off yet.

    verified: keys of sources that were verified off since those were written.
    """
    known = {source.key for source in record.sources}
    kept = []
    for old in earlier:
        if old.clean or (old.bench_file, old.data) != (record.bench_file, record.data):
            continue
        for source in old.sources:
            if source.key not in known and source.key not in verified:
                known.add(source.key)
                kept.append(replace(source, current=False))
    return replace(record, sources=(*record.sources, *kept))


def records_in(folders: Iterable[Path]) -> list[Record]:
    """All records of these folders; each once, though it lies in several.

    A folder or file that cannot be read is passed over: the other copy serves. Of two copies that
    differ both count, since either may be the older one.
    """
    found: dict[Any, Record] = {}
    for folder in dict.fromkeys(_real(folder) for folder in folders):
        with suppress(OSError):
            names = sorted(os.listdir(folder))
            for name in names:
                if not (name.startswith("rf-sources.") and name.endswith(".json")):
                    continue
                file = Path(folder) / name
                record = _read(file)
                if record is None:
                    continue
                keys = tuple(source.key for source in record.sources)
                same = (record.bench_file, record.data, record.clean, keys)
                files = (*found[same].files, file) if same in found else (file,)
                found[same] = replace(record, files=files)
    return list(found.values())


def sources_of(records: Iterable[Record]) -> list[KnownSource]:
    """All their sources, each once."""
    found: dict[Any, KnownSource] = {}
    for record in records:
        for source in record.sources:
            found.setdefault(source.key, replace(source, bench=record.bench))
    return list(found.values())


def _read(file: Path) -> Record | None:
    try:
        # A pipe or a device in its place must not hold up RF off.
        descriptor = os.open(file, os.O_RDONLY | os.O_NONBLOCK)
        with open(descriptor, encoding="utf-8", errors="replace") as stream:
            said = json.loads(stream.read(_MOST_BYTES))
        if said["format"] != FORMAT:
            return None
        sources = tuple(_source(entry) for entry in said["sources"])
        return Record(
            str(said["bench"]), str(said["bench_file"]), str(said["data"]),
            bool(said["clean"]), sources,
        )  # fmt: skip
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None


def _source(entry: dict[str, Any]) -> KnownSource:
    words: dict[str, Any] = {
        name: tuple(str(part) for part in entry[name])
        for name in ("off", "lowest", "off_words", "on_words", "resolved")
        if name in entry
    }
    kinds: dict[str, type] = {
        "name": str, "address": str, "query": str, "off_replies": int, "headed": bool,
        "terminator": str, "serial": dict, "current": bool,
    }  # fmt: skip
    plain = {name: kind(entry[name]) for name, kind in kinds.items() if name in entry}
    source = KnownSource(**plain, **words)
    if not source.off:
        raise ValueError("a source without OFF")
    return source


def _real(path: Path | str) -> str:
    return os.path.realpath(path)
