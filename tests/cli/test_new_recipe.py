"""`benchd new-recipe` writes a recipe that passes the check on the bench that it is for."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

BENCHES = Path(__file__).parents[2] / "recipes" / "benches"


@pytest.mark.parametrize("bench", ["workshop", "by-hand", "power-meter"])
@pytest.mark.parametrize(
    ("question", "quantities"),
    [
        ("how good is this Yagi's match from 1.68 to 1.71 GHz?", {"worst_return_loss"}),
        ("VSWR of dipole r3 at 1.7 GHz, below 2", {"vswr"}),
        ("is dipole r3 too long?", set()),
        ("match and gain of yagi r2, at least 8 dBi", {"return_loss", "realised_gain"}),
        ("bandwidth of dipole r3, at least 80 MHz", {"bandwidth"}),
    ],
)
def test_the_recipe_passes_on_every_bench(
    benchd: Any, tmp_path: Path, bench: str, question: str, quantities: set[str]
) -> None:
    file = BENCHES / f"{bench}.yaml"
    if "gain" in question and "transmission" not in file.read_text():
        outcome = benchd("new-recipe", question, "--bench", str(file), "--out", "x.yaml")
        assert "no route of the kind transmission" in outcome.err
        return
    out = tmp_path / "it.yaml"
    outcome = benchd("new-recipe", question, "--bench", str(file), "--out", str(out))
    assert outcome.code == 0, outcome.err
    assert "passes the check" in outcome.out
    check = benchd("check", str(out), "--bench", str(file), "--json")
    assert check.code == 0, check.err
    asks = "hands" in out.read_text()
    assert asks == (bench == "by-hand")
    accepted = {line.split("quantity: ")[1].split(",")[0].rstrip("}")
                for line in out.read_text().splitlines() if "quantity: " in line}  # fmt: skip
    assert accepted == quantities


def test_options_say_the_same_as_a_question(benchd: Any, tmp_path: Path) -> None:
    bench = ("--bench", str(BENCHES / "workshop.yaml"))
    asked, given = tmp_path / "asked.yaml", tmp_path / "given.yaml"
    question = "match of yagi r2 from 1.68 to 1.71 GHz"
    assert benchd("new-recipe", question, *bench, "--out", str(asked)).code == 0
    options = ("--quantity", "match", "--antenna", "yagi r2", "--band", "1.68 GHz to 1.71 GHz")
    assert benchd("new-recipe", *options, *bench, "--out", str(given)).code == 0
    assert asked.read_text().splitlines()[1:] == given.read_text().splitlines()


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("match", "--bench", str(BENCHES / "workshop.yaml"), "--antenna", "nobody"),
         'the bench has no antenna "nobody"; it has reference dipole'),
        (("--band", "1.6 GHz to 1.8 GHz"), "give a question, or --quantity"),
        (("match", "--by", "magic"), "neither hand nor switch"),
        (("match", "--band", "1.8 GHz to 1.6 GHz"), "the second end must be the higher one"),
        (("match", "--at", "1.7"), "without a unit"),
        (("match", "--quantity", "colour"), "is no quantity"),
        (("match", "--out", "it.txt"), "must end in .yaml"),
        (("match at 17 GHz", "--bench", str(BENCHES / "workshop.yaml")), "would not pass on"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)  # fmt: skip
def test_what_cannot_be_is_refused_and_leaves_no_file(
    benchd: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: Any, says: str
) -> None:
    monkeypatch.chdir(tmp_path)
    outcome = benchd("new-recipe", *arguments)
    assert outcome.code == 1
    assert says in outcome.err
    assert list(tmp_path.iterdir()) == []


def test_a_sweep_ends_where_the_instruments_end(benchd: Any, tmp_path: Path) -> None:
    """A dipole's usual sweep around 435 MHz would begin at 371 MHz, below the source's range."""
    bench, out = ("--bench", str(BENCHES / "by-hand.yaml")), tmp_path / "x.yaml"
    question = 'match of "dipole r3" from 430 MHz to 440 MHz'
    outcome = benchd("new-recipe", question, *bench, "--out", str(out))
    assert outcome.code == 0, outcome.err
    assert "start: {kind: frequency, default: 400 MHz," in out.read_text()
    assert benchd("check", str(out), *bench).code == 0


def test_a_file_that_is_there_is_never_overwritten(
    benchd: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert benchd("new-recipe", "match of the yagi").code == 0
    (tmp_path / "match-yagi.yaml").write_text("mine")
    outcome = benchd("new-recipe", "match of the yagi")
    assert outcome.code == 1
    assert "is there already" in outcome.err
    assert (tmp_path / "match-yagi.yaml").read_text() == "mine"
