"""One bench as a whole: hashes, addresses, options, fuzz."""

from __future__ import annotations

import contextlib
import json

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from benchd.bench import Bench, parse_bench
from benchd.errors import BenchFileError
from tests.generated import many


@pytest.fixture
def bench(bench_text: str) -> Bench:
    """The bench of conftest.py."""
    return parse_bench(bench_text)


def test_spelling_comments_and_addresses_do_not_change_the_hash(
    bench: Bench, bench_text: str
) -> None:
    """The same bench described otherwise, and reached otherwise."""
    again = bench_text.replace("4 GHz: 0.8 dB", "4000 MHz: 0.80 dB") + "\n# a remark\n"
    again = again.replace("::5001::", "::6001::")
    assert parse_bench(again).hash == bench.hash


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("4 GHz: 0.8 dB", "4 GHz: 0.9 dB"),
        ("directivity: 35 dB", "directivity: 36 dB"),
        ("open: 201", "open: 204"),
        ("largest_dimension: 80 mm", "largest_dimension: 81 mm"),
    ],
)
def test_whatever_changes_a_number_changes_the_hash(
    bench: Bench, bench_text: str, old: str, new: str
) -> None:
    """Fixtures, switch channels and antennas."""
    assert parse_bench(bench_text.replace(old, new)).hash != bench.hash


def test_a_route_carries_the_hashes_of_what_it_leads_through(bench: Bench) -> None:
    """Fixtures, switches, the box of a range, and the order of it all; 12 digits each."""
    middle, far = bench.route_fixtures("middle"), bench.route_fixtures("range")
    assert sorted(middle) == ["coupler", "lead", "route", "selector", "tail"]
    assert sorted(far) == ["booster", "box", "lead", "route"]
    assert middle["lead"] == far["lead"]
    assert {len(digest) for digest in (*middle.values(), *far.values())} == {12}


def test_only_the_changed_fixture_changes_its_short_hash(bench: Bench, bench_text: str) -> None:
    """So that a refusal can name it."""
    other = parse_bench(bench_text.replace("4 GHz: 0.8 dB", "4 GHz: 0.9 dB"))
    before, after = bench.route_fixtures("middle"), other.route_fixtures("middle")
    assert [name for name in before if before[name] != after[name]] == ["lead"]


def test_another_order_of_the_same_fixtures_shows(bench: Bench, bench_text: str) -> None:
    """A cable moved to the other side of the coupler is another route."""
    text = bench_text.replace(
        "[lead, coupler.through, selector.port, tail]",
        "[tail, coupler.through, selector.port, lead]",
    )
    before, after = bench.route_fixtures("middle"), parse_bench(text).route_fixtures("middle")
    assert [name for name in before if before[name] != after[name]] == ["route"]


def test_addresses_can_be_given_anew(bench: Bench) -> None:
    """The file stays as it is; the copy differs in nothing else."""
    moved = bench.with_addresses({"analyzer": "TCPIP0::192.0.2.7::hislip0,4881::INSTR"})
    assert moved.instruments["analyzer"].address == "TCPIP0::192.0.2.7::hislip0,4881::INSTR"
    assert bench.instruments["analyzer"].address == "TCPIP::127.0.0.1::5002::SOCKET"
    assert moved.hash == bench.hash


def test_wrong_addresses_are_refused_together(bench: Bench) -> None:
    """Unknown instrument and unreadable resource string."""
    with pytest.raises(BenchFileError) as refusal:
        bench.with_addresses({"analyser": "TCPIP::127.0.0.1::1::SOCKET", "selector": "here"})
    assert str(refusal.value).splitlines() == [
        'address given: analyser: is no instrument, did you mean "analyzer"? '
        "Known: analyzer, contact, generator, selector",
        'address given: selector: found "here", expected a VISA resource string such as '
        '"TCPIP::192.0.2.10::5025::SOCKET"',
    ]


@pytest.mark.parametrize(
    "address",
    [
        "TCPIP::127.0.0.1::5025::SOCKET",
        "TCPIP0::192.0.2.7::inst0::INSTR",
        "TCPIP::localhost,1024::inst0::INSTR",
        "TCPIP::host.example::hislip0,4880::INSTR",
        "ASRL3::INSTR",
        "ASRL/dev/ttyUSB0::INSTR",
        "GPIB0::18::INSTR",
        "USB0::0x1234::0x5678::SN001::INSTR",
        "USB::0x1234::0x5678::SN001::0::RAW",
    ],
)
def test_resource_strings_of_all_transports_are_accepted(bench: Bench, address: str) -> None:
    """Forms of VPP-4.3 (VISA library specification), section on resource names; from memory."""
    moved = bench.with_addresses({"selector": address})
    assert moved.instruments["selector"].address == address


def test_addresses_given_at_the_start_may_not_meet_either(bench: Bench) -> None:
    with pytest.raises(BenchFileError) as refusal:
        bench.with_addresses({"analyzer": "TCPIP::localhost::5001::SOCKET"})
    assert str(refusal.value) == (
        "address given: analyzer: TCPIP::localhost::5001::SOCKET is the address of generator too, "
        "which it writes TCPIP::127.0.0.1::5001::SOCKET; two instruments never share one, so give "
        "each its own"
    )


def test_commands_and_options_reach_the_instrument(bench_text: str) -> None:
    """A command without text removes an optional one."""
    text = bench_text.replace(
        "    level: [-60 dBm, 15 dBm]",
        "    level: [-60 dBm, 15 dBm]\n"
        "    commands: {set_frequency: 'FR {frequency_hz:.0f}', level_query: }\n"
        "    options: {reply_style: headed}",
    )
    generator = parse_bench(text).instruments["generator"]
    assert generator.commands == {"set_frequency": "FR {frequency_hz:.0f}", "level_query": None}
    assert generator.options == {"reply_style": "headed"}


words = st.sampled_from(
    ["kind", "source", "analyzer", "loss", "1 GHz", "0.3 dB", "coupler", "lead", "out", "back",
     "coupler.through", "selector.port", "bench", "title", "routes", "fixtures", "instruments"]
)  # fmt: skip
values = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), words, st.text(max_size=8)),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(words, inner, max_size=4)),
    max_leaves=12,
)


@settings(
    max_examples=many(200),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.text(max_size=40), st.integers(0, 2000), st.integers(0, 60))
@example(insert="\x00", start=0, cut=0)
@example(insert="<", start=0, cut=0)
@example(insert="[key]: 1\n", start=0, cut=0)
def test_a_damaged_bench_reads_or_is_refused(
    bench_text: str, insert: str, start: int, cut: int
) -> None:
    """A file with a piece cut out and other text in its place."""
    text = bench_text[:start] + insert + bench_text[start + cut :]
    with contextlib.suppress(BenchFileError):
        parse_bench(text)


@settings(max_examples=many(200), deadline=None)
@given(st.dictionaries(words, values, max_size=6))
def test_any_structure_reads_or_is_refused(data: dict[str, object]) -> None:
    """JSON is YAML: whatever tree comes in, only BenchFileError comes out."""
    with contextlib.suppress(BenchFileError):
        parse_bench(json.dumps(data))
