"""Whatever a client sends, an instrument answers, complains in its error queue, and lives on."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.instruments.dialects import DIALECTS
from simulators.scpi.commands import pattern_headers
from tests.generated import many
from tests.simulators.servers.harness import Desk

NAMES = {"source": "generator", "analyzer": "analyzer", "switch": "switch", "sense": "lid"}
SPOKEN = (
    "ON OFF 0 1 MIN MAX DEF RMS POS SAMP AVER CW SWE STEP ASC REAL REAL,32 REAL,64 REAL,7 NORM "
    "SWAP MAXH WRIT TRACE1 (@101) (@101,202:204,303) (@999) (@ #15hello #0 'text' \" #HFF"
)
WORDS = st.sampled_from(SPOKEN.split())
NUMBERS = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.integers(-10, 20000).map(str),
    st.sampled_from(["1.7E9", "1.7GHZ", "10MS", "0", "1E-6", "1E400", "-0.0", "5 DBM", "1 US"]),
)
JUNK = st.text(st.characters(min_codepoint=32, max_codepoint=255), max_size=8)


def units(kind: str, dialect: str) -> st.SearchStrategy[str]:
    """Message units: headers that exist, parameters that fit or do not."""
    spoken = DIALECTS[kind][dialect]
    patterns = [*spoken.settings, *(f"{one}?" for one in spoken.settings), *spoken.actions]
    patterns += ["*RST", "*CLS", "*OPC", "*OPC?", "*WAI", "*ESE", "*SRE", "*STB?", "*ESR?"]
    headers = st.sampled_from(patterns).flatmap(
        lambda pattern: st.sampled_from(pattern_headers(pattern)).map(
            lambda header: f":{header}{'?' if pattern.endswith('?') else ''}".replace(":*", "*")
        )
    )
    parameters = st.one_of(st.just(""), WORDS, NUMBERS, JUNK)
    return st.tuples(headers, parameters).map(" ".join)


@pytest.mark.parametrize("dialect", ["plain", "terse", "chatty"])
@pytest.mark.parametrize("kind", list(NAMES))
@given(data=st.data())
@settings(max_examples=many(30), deadline=None)
def test_any_sequence_of_commands_leaves_a_working_instrument(
    kind: str, dialect: str, data: st.DataObject
) -> None:
    desk = Desk(**{name: {"dialect": dialect} for name in NAMES.values()})
    name = NAMES[kind]
    for message in data.draw(st.lists(st.lists(units(kind, dialect), max_size=4), max_size=6)):
        desk.ask(name, ";".join(message).replace("\n", " "))
        desk.time_s += 0.001
    desk.ask(name, "*CLS")
    assert desk.ask(name, "*IDN?").startswith("Workshop,")
    assert desk.errors(name) == []
    state = desk.bench.state()["instruments"][name]
    assert state["settings"].keys() == desk.bench.instruments[name].settings.keys()
    for key, setting in desk.bench.instruments[name].settings.items():
        value = desk.bench.instruments[name].values[key]
        assert setting.check(value) == value, key
