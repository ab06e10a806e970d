"""The register of antennas: where it lies, what is wrong with it, and how an entry is added."""

from __future__ import annotations

import multiprocessing
import os
from pathlib import Path

import pytest

from benchd.bench import load_bench
from benchd.bench.bench import parse_written, read_bench
from benchd.bench.register_entry import add_antenna
from benchd.errors import BenchFileError, OrderRefused

SHIPPED = Path(__file__).parents[2] / "recipes" / "benches" / "workshop.yaml"
ONE = """\
# Made by hand, in order of age.
antennas:

    patch r1:          # the first that worked
        design_frequency: "868 MHz"   # as measured
        largest_dimension: 9 cm
        # its trim is a corner
        trim: {arm: 8 mm, arms: 4}

    # end of the list"""


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    file = tmp_path / "bench.yaml"
    file.write_text(SHIPPED.read_text())
    return file


def register(bench: Path, text: str, name: str = "antennas.yaml") -> Path:
    file = bench.parent / name
    file.parent.mkdir(exist_ok=True)
    file.write_text(text)
    return file


def stating(bench: Path, places: str) -> None:
    bench.write_text(bench.read_text().replace("timezone: UTC", f"timezone: UTC\n{places}"))


def entry(name: str) -> str:
    return f"antennas:\n  {name}: {{design_frequency: 868 MHz, largest_dimension: 9 cm}}\n"


def test_antennas_of_the_file_beside_the_bench_and_of_the_folder_count_too(bench: Path) -> None:
    own = list(load_bench(bench).antennas)
    register(bench, entry("one"))
    register(bench, entry("three"), "antennas/b.yaml")
    register(bench, entry("two"), "antennas/a.yml")
    register(bench, "not: this", "antennas/notes.txt")
    assert list(load_bench(bench).antennas) == [*own, "one", "two", "three"]


def test_a_register_may_lie_elsewhere_and_serve_several_benches(
    bench: Path, tmp_path: Path
) -> None:
    register(bench, entry("not read"))
    shared = tmp_path / "shared"
    shared.mkdir()
    (shared / "ours.yaml").write_text(entry("shared one"))
    stating(bench, "register: shared/ours.yaml")
    other = tmp_path / "lab" / "bench.yaml"
    other.parent.mkdir()
    other.write_text(SHIPPED.read_text())
    stating(other, "register: [../shared]")
    for file in (bench, other):
        names = load_bench(file).antennas
        assert "shared one" in names
        assert "not read" not in names
    # Where the antennas stand is not part of what the bench is.
    assert load_bench(bench).hash == load_bench(other).hash


@pytest.mark.parametrize("text", ["", "# nothing yet\n", "antennas: {}\n"])
def test_an_empty_register_is_one(bench: Path, text: str) -> None:
    register(bench, text)
    assert load_bench(bench).hash == load_bench(SHIPPED).hash


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            "antennas:\n  one: {design_frequency: 868}\n",
            "antennas.yaml:2:27: antennas.one.des",
        ),
        (
            "antennas:\n  one: {design_frequency: 868 MHz}\n",
            'the key "largest_dimension" is missing',
        ),
        (
            "antenas: {}\n",
            'antennas.yaml:1:1: antenas: is not a key here, did you mean "antennas"?',
        ),
        ("fixtures: {}\n", "antennas.yaml:1:1: fixtures: is not a key here"),
        ("- one\n", "expected a mapping of keys to values"),
        ("antennas:\n\tone: {}\n", "found a tab; indent with spaces"),
        (entry("dipole r3"), "antennas.yaml:2:3: antennas.dipole r3: stands in"),
        (entry("a/b"), "expected a name of letters, digits, spaces"),
    ],
)
def test_a_fault_is_told_with_the_register_s_file_line_and_key(
    bench: Path, text: str, words: str
) -> None:
    register(bench, text)
    with pytest.raises(BenchFileError) as refusal:
        load_bench(bench)
    assert words in str(refusal.value)


def test_a_stated_register_that_does_not_exist_is_a_fault(bench: Path) -> None:
    stating(bench, "register: nowhere.yaml")
    with pytest.raises(BenchFileError, match=r"nowhere\.yaml: does not exist; make it"):
        load_bench(bench)


def test_the_texts_of_a_bench_read_as_the_bench(bench: Path) -> None:
    register(bench, entry("one"))
    found, written = read_bench(bench)
    assert parse_written(written) == found


def test_an_entry_is_added_at_the_end_and_all_else_stays_as_it_is(bench: Path) -> None:
    file = register(bench, ONE)
    os.chmod(file, 0o640)
    add_antenna(bench, "patch r2", "patch r1", {"arm": "7.5mm"})
    text = file.read_text()
    assert text.startswith(ONE)
    assert file.stat().st_mode & 0o777 == 0o640
    assert text.count("patch r2") == 1
    found = load_bench(bench).antennas
    assert found["patch r2"].trim is not None
    assert found["patch r2"].trim.arm_m == 0.0075
    assert found["patch r2"].trim.arms == 4
    assert found["patch r2"].revision == "r2"
    assert found["patch r2"].design_frequency_hz == found["patch r1"].design_frequency_hz
    assert [one.name for one in bench.parent.iterdir() if one.name.startswith(".")] == []


def test_what_was_found_with_one_antenna_is_not_said_of_its_revision(bench: Path) -> None:
    add_antenna(bench, "reference dipole b", "reference dipole", {"largest_dimension": "80 mm"})
    found = load_bench(bench).antennas["reference dipole b"]
    assert found.reference is None
    assert found.revision is None
    add_antenna(bench, "dipole r4", "dipole r3", {"arm": "41.2 mm"})
    found = load_bench(bench).antennas["dipole r4"]
    assert (found.least_return_loss_db, found.note, found.revision) == (None, None, "r4")


def test_what_another_name_revises_can_be_stated_and_holds_for_that_one_only(bench: Path) -> None:
    add_antenna(bench, "bent dipole", "dipole r3", {"revises": "dipole r3"})
    add_antenna(bench, "bent dipole r2", "bent dipole", {"arm": "41 mm"})
    found = load_bench(bench).antennas
    assert (found["bent dipole"].revises, found["bent dipole r2"].revises) == ("dipole r3", None)


def test_without_a_register_one_is_made(bench: Path) -> None:
    before = bench.read_text()
    _, file = add_antenna(
        bench, "new one", None,
        {"design_frequency": "868 MHz", "largest_dimension": "9 cm", "note": "it's #1: good"},
    )  # fmt: skip
    assert file == bench.parent / "antennas.yaml"
    assert load_bench(bench).antennas["new one"].note == "it's #1: good"
    assert bench.read_text() == before


def test_a_folder_gets_a_file(bench: Path) -> None:
    stating(bench, "register: ours")
    (bench.parent / "ours").mkdir()
    _, file = add_antenna(bench, "dipole r4", "dipole r3", {"arm": "41.2 mm"})
    assert file == bench.parent / "ours" / "antennas.yaml"
    assert "dipole r4" in load_bench(bench).antennas


@pytest.mark.parametrize(
    ("name", "start", "changes", "error", "words"),
    [
        ("dipole r3", None, {}, OrderRefused, 'there is an antenna "dipole r3" already'),
        ("  ", "dipole r3", {}, BenchFileError, "expected a name of letters, digits"),
        ("x", "dipole r9", {}, OrderRefused, 'did you mean "dipole r3"?'),
        ("x", "dipole r3", {"arm": "41"}, BenchFileError, 'antenna "x": trim.arm: found "41" with'),
        ("x", "dipole r3", {"arm": "41 GHz"}, BenchFileError, "is not a unit of length"),
        ("x", "dipole r3", {"leg": "41 mm"}, OrderRefused, 'an antenna has no "leg"'),
        ("x", "dipole r3", {"type": "hoop"}, BenchFileError, '"hoop" is not known'),
        ("x", "dipole r3", {"arms": "two"}, OrderRefused, '"arms" is a whole number'),
        ("x", None, {"arm": "41 mm"}, BenchFileError, 'the key "design_frequency" is missing'),
        ("a/b", "dipole r3", {}, BenchFileError, "expected a name of letters"),
        ("x\n  y", "dipole r3", {}, BenchFileError, "expected a name of letters"),
    ],
)
def test_what_cannot_be_added_changes_nothing(
    bench: Path, name: str, start: str | None, changes: dict[str, str], error: type[Exception],
    words: str,
) -> None:  # fmt: skip
    file = register(bench, ONE)
    with pytest.raises(error) as refusal:
        add_antenna(bench, name, start, changes)
    assert words in str(refusal.value)
    assert file.read_text() == ONE


@pytest.mark.parametrize("text", ["antennas: {one: {design_frequency: 868 MHz, "
                                  "largest_dimension: 9 cm}}\n"])  # fmt: skip
def test_a_register_that_cannot_be_added_to_is_left_alone(bench: Path, text: str) -> None:
    file = register(bench, text)
    with pytest.raises(BenchFileError):
        add_antenna(bench, "dipole r4", "dipole r3", {"arm": "41.2 mm"})
    assert file.read_text() == text


def _add(bench: Path, number: int) -> None:
    add_antenna(bench, f"dipole x{number}", "dipole r3", {"arm": f"{40 + number / 10} mm"})


def test_additions_at_the_same_time_lose_none(bench: Path) -> None:
    context = multiprocessing.get_context("spawn")
    workers = [context.Process(target=_add, args=(bench, number)) for number in range(4)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(120)
        assert worker.exitcode == 0
    assert {f"dipole x{number}" for number in range(4)} <= set(load_bench(bench).antennas)
