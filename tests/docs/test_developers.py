"""DEVELOPERS.md against the code: rooms, files, the table of outside sources."""

from __future__ import annotations

import importlib
import re
import tomllib
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]
TEXT = (REPOSITORY / "DEVELOPERS.md").read_text(encoding="utf-8")
SOURCES = TEXT.partition("## What is checked against what outside source")[2]


def _rows() -> list[list[str]]:
    lines = [line for line in SOURCES.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.split("|")[1:-1]] for line in lines[2:]]


def test_every_oracle_stands_in_the_table_of_sources() -> None:
    told = {file for row in _rows() for file in re.findall(r"`(tests/[\w/]+\.py)`", row[3])}
    oracles = (REPOSITORY / "tests" / "oracles").glob("test_*.py")
    assert {f"tests/oracles/{path.name}" for path in oracles} - told == set()


def test_every_row_of_the_table_names_check_value_source_and_file() -> None:
    rows = _rows()
    assert rows
    assert [row for row in rows if len(row) != 4 or not all(row)] == []


@pytest.mark.parametrize(
    "name", sorted(set(re.findall(r"`((?:tests|benchd|drivers|deploy)/[\w/.-]+)`", TEXT)))
)
def test_every_file_that_is_named_exists(name: str) -> None:
    assert (REPOSITORY / name).exists()


THREATS = TEXT.partition("## Threats")[2].partition("\n## ")[0]


def test_every_threat_has_what_stops_it_and_a_test_that_exists() -> None:
    groups = re.findall(r"^### (.+)$", THREATS, re.MULTILINE)
    assert len(groups) == 3
    lines = [line for line in THREATS.splitlines() if line.startswith("|")]
    rows = [[cell.strip() for cell in line.split("|")[1:-1]] for line in lines]
    rows = [row for row in rows if row[0] not in ("threat", "---")]
    assert len(rows) >= 20
    for row in rows:
        assert len(row) == 3
        assert all(row), row
        told = re.findall(r"`(tests/[\w/]+\.py)::(test_\w+)`", row[2])
        assert told, row
        assert row[2] == ", ".join(f"`{file}::{name}`" for file, name in told)
        for file, name in told:
            code = (REPOSITORY / file).read_text(encoding="utf-8")
            assert re.search(rf"^(async )?def {name}\(", code, re.MULTILINE), f"{file}::{name}"


def test_every_room_of_the_import_rules_is_described() -> None:
    rules = tomllib.loads((REPOSITORY / "pyproject.toml").read_text(encoding="utf-8"))
    floors = rules["tool"]["importlinter"]["contracts"][0]["layers"]
    rooms = {room.strip() for floor in floors for room in re.split(r"[|:]", floor)}
    assert {room for room in rooms if f"`{room}`" not in TEXT} == set()
    for room in rooms:
        importlib.import_module(room)


@pytest.mark.parametrize(
    ("module", "name"),
    [
        ("benchd.engine.queue", "JobQueue.make_safe"),
        ("benchd.engine.rig", "Rig.measure"),
        ("benchd.engine.lidwatch", "LidWatch"),
        ("benchd.reductions", "reduction"),
        ("benchd.store.schema", "HEAD"),
        ("drivers.instrument", "Instrument"),
    ],
)
def test_every_name_that_safety_and_extension_lean_on_exists(module: str, name: str) -> None:
    assert name.rpartition(".")[2] in TEXT
    found: object = importlib.import_module(module)
    for part in name.split("."):
        found = getattr(found, part)


def test_every_make_target_that_is_told_exists() -> None:
    targets = re.findall(r"^([a-z]+):", (REPOSITORY / "Makefile").read_text(), re.MULTILINE)
    told = set(re.findall(r"\bmake ([a-z]+)\b(?=`|$| [A-Z]+=)", TEXT, re.MULTILINE))
    assert {"test", "lint", "bench", "demo"} <= told <= set(targets)
