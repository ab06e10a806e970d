"""A bench file's wording of a command is held against what the command is for, when it is read."""

from __future__ import annotations

import json
import string

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.bench import Bench, parse_bench
from benchd.errors import BenchFileError
from drivers.errors import BadTemplate
from drivers.source import ScpiSource
from tests.bench.bad_wordings import CASES, GOOD, Words
from tests.bench.conftest import BENCH
from tests.generated import many


def with_words(instrument: str, words: Words) -> str:
    """The good bench, with these commands of one instrument reworded, one a line."""
    lines = "".join(f"      {name}: {json.dumps(text)}\n" for name, text in words.items())
    if instrument == "contact":
        return BENCH.replace(
            '"TCPIP::127.0.0.1::5004::SOCKET"}',
            f'"TCPIP::127.0.0.1::5004::SOCKET", commands: {json.dumps(words)}}}',
        )
    return BENCH.replace(
        f"  {instrument}:\n    kind:", f"  {instrument}:\n    commands:\n{lines}    kind:", 1
    )


@pytest.mark.parametrize(
    ("instrument", "words", "blamed", "complaint"),
    [pytest.param(*case[1:], id=case[0].replace(" ", "-")) for case in CASES],
)
def test_a_wording_that_does_something_else_is_refused_at_its_line(
    instrument: str, words: Words, blamed: str, complaint: str
) -> None:
    """File, line and key, what is wrong, and what stands there."""
    text = with_words(instrument, words)
    with pytest.raises(BenchFileError) as refusal:
        parse_bench(text, file="small.yaml")
    (problem,) = refusal.value.problems
    lines = text.splitlines()
    assert blamed in lines[problem.line - 1]
    assert problem.key == f"instruments.{instrument}.commands.{blamed}"
    assert complaint in problem.message
    assert f"`{blamed}`" in problem.message


@pytest.mark.parametrize(
    ("instrument", "words"), [pytest.param(*case[1:], id=case[0]) for case in GOOD]
)
def test_dialects_that_say_the_right_thing_are_read(instrument: str, words: Words) -> None:
    bench = parse_bench(with_words(instrument, words))
    assert isinstance(bench, Bench)
    assert bench.instruments[instrument].commands == words


def test_all_wrong_wordings_are_told_at_once() -> None:
    text = with_words(
        "generator",
        {"set_level": ":POW 15", "rf_off": ":OUTP ON", "set_freq": "F 1", "rf_on": None},
    )
    with pytest.raises(BenchFileError) as refusal:
        parse_bench(text)
    assert {problem.key.rpartition(".")[2] for problem in refusal.value.problems} == {
        "set_level",
        "rf_off",
        "set_freq",
        "rf_on",
    }


specs = st.text(alphabet=string.digits + ".+- <>=^0defgEFGs%,_nxbc#z", max_size=8)
templates = st.builds(
    "{}{{{}:{}}}{}".format,
    st.text(alphabet="A :1-.E;?ON{}", max_size=6),
    st.sampled_from(["level_dbm", "level_db", "frequency_hz", ""]),
    specs,
    st.text(alphabet="A :1.E;?ON{}", max_size=6),
)


@settings(max_examples=many(400), deadline=None)
@given(template=templates, level_dbm=st.floats(-60.0, 15.0))
def test_a_level_that_a_template_words_reads_as_it_was_meant(
    template: str, level_dbm: float
) -> None:
    """Whatever template is accepted: one message, and in it the level to 0.1 dB."""
    try:
        source = ScpiSource("generator", {"set_level": template})
    except BadTemplate:
        return
    message = source.set_level(level_dbm).message
    before, _, behind = template.partition("{level_dbm")
    assert not set(";?") & set(message)
    number = message[len(before.replace("{{", "{").replace("}}", "}")) :]
    behind = behind.partition("}")[2].replace("{{", "{").replace("}}", "}")
    number = number.removesuffix(behind).strip()
    assert float(number) == pytest.approx(level_dbm, abs=0.0501)
