"""Every way to spoil a bench file that we could think of, each with its whole message.

A case is the good bench of conftest.py with one text replaced by another (or a whole other
file, where there is nothing to replace). Those of routes stand in bad_routes.py.
"""

from __future__ import annotations

import pytest

from benchd.bench import parse_bench
from benchd.errors import BenchFileError
from tests.bench.bad_routes import ROUTE_CASES

CASES: list[tuple[str, str | None, str, str]] = [
    (
        "empty file",
        None,
        "",
        "small.yaml: found nothing, expected a mapping of keys to values",
    ),
    (
        "not a mapping",
        None,
        "[generator, analyzer]\n",
        "small.yaml:1:1: found a list, expected a mapping of keys to values",
    ),
    (
        "unknown key",
        "title: Bench of the tests",
        "title: Bench of the tests\nfixture: {}",
        (
            'small.yaml:3:1: fixture: is not a key here, did you mean "fixtures"? Known: '
            "antennas, bench, box, fixtures, instruments, register, routes, timezone, title"
        ),
    ),
    (
        "a key that looks like a mark",
        "title: Bench of the tests",
        "title: Bench of the tests\n<title>: {}",
        (
            'small.yaml:3:1: <title>: is not a key here, did you mean "title"? Known: '
            "antennas, bench, box, fixtures, instruments, register, routes, timezone, title"
        ),
    ),
    (
        "missing key",
        "title: Bench of the tests\n",
        "",
        'small.yaml:1:1: the key "title" is missing: what this bench is, in one line',
    ),
    (
        "bench name that is no topic",
        "bench: small",
        "bench: small/one",
        (
            'small.yaml:1:8: bench: found "small/one", expected a name of lower-case letters,'
            " digits and -"
        ),
    ),
    (
        "unknown time zone",
        "timezone: UTC",
        "timezone: Europe/Viena",
        (
            'small.yaml:3:11: timezone: "Europe/Viena" is no time zone, did you mean '
            '"Europe/Vienna"?'
        ),
    ),
    (
        "unknown kind of instrument",
        "kind: source",
        "kind: sorce",
        (
            'small.yaml:6:11: instruments.generator.kind: the kind "sorce" is not known, did '
            'you mean "source"? Known: analyzer, lid, power-meter, source, switch, thermometer'
        ),
    ),
    (
        "instrument without a kind",
        "    kind: analyzer\n",
        "",
        ('small.yaml:11:3: instruments.analyzer: the key "kind" with one of the kinds is missing'),
    ),
    (
        "unknown key of an instrument",
        "contact: {kind: lid, driver: scpi-lid,",
        "contact: {kind: lid, drivr: scpi-lid,",
        (
            'small.yaml:26:3: instruments.contact: the key "driver" is missing: name of the '
            "driver, such as scpi-source\n"
            "small.yaml:26:24: instruments.contact.drivr: is not a key here, did you mean "
            '"driver"? Known: address, answer_within, commands, connect_timeout, driver, identity, '
            "kind, options, replies, serial, settle, terminator, timeout"
        ),
    ),
    (
        "address that is none",
        "address: TCPIP::127.0.0.1::5001::SOCKET",
        "address: 127.0.0.1:5001",
        (
            'small.yaml:8:14: instruments.generator.address: found "127.0.0.1:5001", expected'
            ' a VISA resource string such as "TCPIP::192.0.2.10::5025::SOCKET"'
        ),
    ),
    (
        "port that is none",
        "TCPIP::127.0.0.1::5001::SOCKET",
        "TCPIP::127.0.0.1::65536::SOCKET",
        (
            'small.yaml:8:14: instruments.generator.address: "65536" is no port number, expected '
            "1 to 65535"
        ),
    ),
    (
        "two instruments at one address",
        "TCPIP::127.0.0.1::5002::SOCKET",
        "TCPIP::127.0.0.1::5001::SOCKET",
        (
            "small.yaml:14:14: instruments.analyzer.address: TCPIP::127.0.0.1::5001::SOCKET is "
            "the address of generator too; two instruments never share one, so give each its own"
        ),
    ),
    (
        "two instruments at one address, spelt otherwise",
        "TCPIP::127.0.0.1::5002::SOCKET",
        "tcpip0::LOCALHOST::05001::SOCKET",
        (
            "small.yaml:14:14: instruments.analyzer.address: tcpip0::LOCALHOST::05001::SOCKET is "
            "the address of generator too, which it writes TCPIP::127.0.0.1::5001::SOCKET; two "
            "instruments never share one, so give each its own"
        ),
    ),
    (
        "unknown driver",
        "driver: scpi-source",
        "driver: scpi-sorce",
        (
            "small.yaml:7:13: instruments.generator.driver: there is no driver `scpi-sorce`; did "
            "you mean `scpi-source`?"
        ),
    ),
    (
        "driver of another kind",
        "driver: scpi-source",
        "driver: scpi-analyzer",
        (
            'small.yaml:7:13: instruments.generator.driver: "scpi-analyzer" drives instruments of '
            "kind analyzer, expected a driver for kind source"
        ),
    ),
    (
        "unknown option",
        "    level: [-60 dBm, 15 dBm]",
        "    level: [-60 dBm, 15 dBm]\n    options: {reply_stile: headed}",
        (
            "small.yaml:11:28: instruments.generator.options.reply_stile: the driver has no option "
            "`reply_stile`; did you mean `reply_style`?."
        ),
    ),
    (
        "option with a wrong word",
        "    largest_input: 20 dBm",
        "    largest_input: 20 dBm\n    options: {byte_order: middle}",
        (
            "small.yaml:17:27: instruments.analyzer.options.byte_order: option `byte_order` must "
            "be one of big, little; found 'middle'."
        ),
    ),
    (
        "limit that is neither a level nor unknown",
        "largest_input: 20 dBm",
        "largest_input: dunno",
        (
            'small.yaml:16:20: instruments.analyzer.largest_input: cannot read "dunno" as a level '
            'with its unit, such as "-10 dBm"'
        ),
    ),
    (
        "bare number",
        "largest_input: 20 dBm",
        "largest_input: 20",
        (
            "small.yaml:16:20: instruments.analyzer.largest_input: found the bare number 20, "
            'expected a level with its unit, such as "-10 dBm"'
        ),
    ),
    (
        "range backwards",
        "frequency: [9 kHz, 6 GHz]",
        "frequency: [6 GHz, 9 kHz]",
        (
            "small.yaml:15:16: instruments.analyzer.frequency: the range runs backwards, from"
            " 6 GHz to 9 kHz; write the smaller end first"
        ),
    ),
    (
        "range with one end",
        "frequency: [9 kHz, 6 GHz]",
        "frequency: [6 GHz]",
        (
            "small.yaml:15:16: instruments.analyzer.frequency: found a list, expected both "
            "ends of a range of frequency, such as [10 MHz, 6 GHz]"
        ),
    ),
    (
        "wrong unit in a range",
        "frequency: [9 kHz, 6 GHz]",
        "frequency: [9 kHz, 6 dBm]",
        (
            'small.yaml:15:24: instruments.analyzer.frequency[2]: "dBm" is not a unit of '
            "frequency, Allowed: Hz, kHz, MHz, GHz, mHz, uHz, µHz, nHz"
        ),
    ),
    (
        "negative loss",
        "loss: 0.3 dB",
        "loss: -0.3 dB",
        "small.yaml:29:29: fixtures.tail.loss: found -0.3 dB, expected 0 dB or more",
    ),
    (
        "empty table",
        "loss: {1 GHz: 0.4 dB, 4 GHz: 0.8 dB}",
        "loss: {}",
        (
            "small.yaml:28:29: fixtures.lead.loss: found an empty table, expected at least "
            "one frequency"
        ),
    ),
    (
        "table whose key is no frequency",
        "loss: {1 GHz: 0.4 dB, 4 GHz: 0.8 dB}",
        "loss: {1 GHz: 0.4 dB, high: 0.8 dB}",
        (
            'small.yaml:28:45: fixtures.lead.loss.high: cannot read "high" as a frequency '
            'with its unit, such as "1.7 GHz"'
        ),
    ),
    (
        "table with one frequency twice",
        "loss: {1 GHz: 0.4 dB, 4 GHz: 0.8 dB}",
        "loss: {1 GHz: 0.4 dB, 1000 MHz: 0.8 dB}",
        "small.yaml:28:45: fixtures.lead.loss.1000 MHz: 1 GHz stands in the table twice",
    ),
    (
        "table with a wrong value",
        "loss: {1 GHz: 0.4 dB, 4 GHz: 0.8 dB}",
        "loss: {1 GHz: 0.4 dB, 4 GHz: 0.8}",
        (
            "small.yaml:28:45: fixtures.lead.loss.4 GHz: found the bare number 0.8, expected "
            'a ratio with its unit, such as "20 dB"'
        ),
    ),
    (
        "coupler without directivity",
        "    directivity: 35 dB\n",
        "",
        (
            'small.yaml:30:3: fixtures.coupler: the key "directivity" is missing: how far '
            "forward power into the coupled arm lies down"
        ),
    ),
    (
        "channel that is text",
        "port: {open: 201, short: 202}",
        "port: {open: 201, short: B2}",
        (
            'small.yaml:24:32: instruments.selector.banks.port.short: found "B2", expected a '
            "whole number without a unit"
        ),
    ),
    (
        "channel twice",
        "mount_b: 303",
        "mount_b: 202",
        (
            "small.yaml:25:38: instruments.selector.banks.sense.mount_b: channel 202 is taken"
            " by port.short already"
        ),
    ),
    (
        "bank without throws",
        "port: {open: 201, short: 202}",
        "port: {}",
        (
            "small.yaml:24:13: instruments.selector.banks.port: the bank has no throws; name "
            "at least one with its channel\n"
            "small.yaml:51:31: routes.middle.positions.open.selector.port: the bank "
            '"selector.port" has no throw "open", there are none\n'
            "small.yaml:52:32: routes.middle.positions.short.selector.port: the bank "
            '"selector.port" has no throw "short", there are none'
        ),
    ),
    (
        "command with a line break",
        "    level: [-60 dBm, 15 dBm]",
        '    level: [-60 dBm, 15 dBm]\n    commands: {rf_on: "OUTP ON\\nFREQ 1"}',
        (
            "small.yaml:11:23: instruments.generator.commands.rf_on: found a line break or "
            "tab, expected a command on one line"
        ),
    ),
    (
        "name of fixture and instrument",
        "  tail: {kind: cable, loss: 0.3 dB}",
        "  tail: {kind: cable, loss: 0.3 dB}\n  analyzer: {kind: cable, loss: 1 dB}",
        (
            'small.yaml:30:13: fixtures.analyzer: "analyzer" is the name of an instrument '
            "too; rename one of them"
        ),
    ),
    (
        "lid contact that is no instrument",
        "lid: {instrument: contact}",
        "lid: {instrument: contct}",
        (
            "small.yaml:39:21: box.lid.instrument: there is no instrument of kind lid "
            '"contct", did you mean "contact"? Known: contact'
        ),
    ),
    (
        "lid contact of another kind",
        "lid: {instrument: contact}",
        "lid: {instrument: analyzer}",
        (
            "small.yaml:39:21: box.lid.instrument: there is no instrument of kind lid "
            '"analyzer", known are: contact'
        ),
    ),
    (
        "box with two sides",
        "inside: [600 mm, 400 mm, 400 mm]",
        "inside: [600 mm, 400 mm]",
        "small.yaml:38:11: box.inside: found 2 items, expected 3 or more",
    ),
    (
        "antenna name that is no topic",
        "range dipole: {design",
        "range/dipole: {design",
        (
            'small.yaml:41:3: antennas.range/dipole: found "range/dipole", expected a name of'
            " letters, digits, spaces and . , - _ ( ) that starts with a letter or digit"
        ),
    ),
    (
        "anchor",
        "title: Bench of the tests",
        "title: &t Bench",
        'small.yaml:2:8: title: found the YAML anchor "&t"; write the value out instead',
    ),
]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [pytest.param(*case[1:], id=case[0].replace(" ", "-")) for case in (*CASES, *ROUTE_CASES)],
)
def test_bad_bench_is_refused_with_its_own_message(
    bench_text: str, old: str | None, new: str, message: str
) -> None:
    """File, line, column and key, what was found and what was expected; nothing else."""
    assert old is None or old in bench_text
    text = new if old is None else bench_text.replace(old, new, 1)
    with pytest.raises(BenchFileError) as refusal:
        parse_bench(text, file="small.yaml")
    assert str(refusal.value) == message


def test_the_bench_that_the_cases_spoil_is_good(bench_text: str) -> None:
    """Otherwise a case could pass for a reason of its own."""
    bench = parse_bench(bench_text, file="small.yaml")
    assert list(bench.routes) == ["middle", "range"]


def test_all_problems_of_a_bench_are_told_at_once(bench_text: str) -> None:
    """A person mends a file once, not once for each fault."""
    text = (
        bench_text.replace("    level: [-60 dBm, 15 dBm]\n", "")
        .replace("loss: 0.3 dB", "loss: 0.3")
        .replace("kind: lid", "kind: lit")
    )
    with pytest.raises(BenchFileError) as refusal:
        parse_bench(text, file="small.yaml")
    assert [(problem.line, problem.key) for problem in refusal.value.problems] == [
        (5, "instruments.generator"),
        (25, "instruments.contact.kind"),
        (28, "fixtures.tail.loss"),
    ]
