"""What is kept of each source before RF goes on, and what is read of it after a crash."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from benchd.bench import load_bench
from benchd.engine.source_record import RecordNotKept, SourceRecord, known_sources, made_drivers
from benchd.rfoff import faulty_bench_file
from benchd.rfoff.record import KnownSource, carried_over, new_record, records_in, sources_of
from benchd.rfoff.start import Options
from benchd.rfoff.start import known_sources as sources_at_start
from benchd.statefolder import state_folder
from drivers.source import ScpiSource
from tests.rfoff.sources import known, on_record

BENCHES = Path(__file__).resolve().parents[2] / "recipes" / "benches"


def test_a_record_comes_back_as_it_was_written_from_either_place(tmp_path: Path) -> None:
    source = known("TCPIP::192.0.2.1::5025::SOCKET", resolved=("192.0.2.1",), headed=True)
    record = new_record("workshop", tmp_path / "bench.yaml", tmp_path / "data", [source])
    assert record.keep() == []
    for folder in (tmp_path / "data", state_folder()):
        (found,) = records_in([folder])
        assert replace(found, files=()) == record
    (once,) = records_in([tmp_path / "data", state_folder()])
    assert len(once.files) == 2


@pytest.mark.parametrize("spoilt", ["", "{", "[]", '{"format": "benchd.rf-sources/1"}', "null"])
def test_a_spoilt_copy_costs_nothing_where_the_other_is_whole(tmp_path: Path, spoilt: str) -> None:
    on_record(tmp_path / "data", tmp_path / "bench.yaml", "TCPIP::192.0.2.1::5025::SOCKET")
    (file,) = state_folder().glob("*.json")
    file.write_text(spoilt)
    assert len(records_in([tmp_path / "data", state_folder()])) == 1


def test_pipes_and_folders_in_place_of_a_record_hold_nothing_up(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "rf-sources.pipe.json")
    (tmp_path / "rf-sources.folder.json").mkdir()
    assert records_in([tmp_path, tmp_path / "none", tmp_path / "rf-sources.pipe.json"]) == []


def test_a_source_of_an_earlier_bench_file_stays_until_it_was_verified_off(tmp_path: Path) -> None:
    old, new = known("TCPIP::192.0.2.1::5025::SOCKET"), known("TCPIP::192.0.2.2::5025::SOCKET")
    before = new_record("workshop", tmp_path / "bench.yaml", tmp_path, [old])
    now = new_record("workshop", tmp_path / "bench.yaml", tmp_path, [new])
    kept = carried_over(now, [before], set())
    assert kept.sources == (new, replace(old, current=False))
    assert carried_over(now, [kept], {old.key}).sources == (new,)
    assert carried_over(now, [replace(before, clean=True)], set()).sources == (new,)
    elsewhere = new_record("workshop", tmp_path / "other.yaml", tmp_path, [old])
    assert carried_over(now, [elsewhere], set()).sources == (new,)


@pytest.mark.parametrize("name", ["workshop", "mixed-makes"])
def test_the_words_on_record_are_those_of_the_drivers(name: str) -> None:
    bench = load_bench(BENCHES / f"{name}.yaml")
    (source,) = known_sources(bench, made_drivers(bench))
    assert (source.off, source.query, source.lowest) == {
        "workshop": ((":OUTP:STAT OFF",), ":OUTP:STAT?", (":SOUR:POW:LEV:IMM:AMPL -60",)),
        "mixed-makes": (("CARR:ON 0",), "CARR:ON?", ("CARR:DBM -60",)),
    }[name]
    assert [source.says_on(reply) for reply in ("0", " off\r", "1", "ON", "what")] == [
        False, False, True, True, None,
    ]  # fmt: skip


def test_a_tracking_analyzer_is_a_source_too() -> None:
    bench = load_bench(BENCHES / "workshop.yaml")
    analyzer = bench.instruments["analyzer"]
    tracking = type(bench.instruments["generator"].level_dbm)(least=-40.0, most=0.0)  # type: ignore[union-attr]
    tracks = analyzer.model_copy(
        update={"tracking_level_dbm": tracking, "options": {"reply_style": "headed"}}
    )
    bench = bench.model_copy(update={"instruments": {"analyzer": tracks}})
    (source,) = known_sources(bench, made_drivers(bench))
    assert (source.off, source.query, source.lowest) == (
        (":OUTP:TRAC OFF",), ":OUTP:TRAC?", (":SOUR:POW:TRAC -40",),
    )  # fmt: skip
    assert source.says_on("OUTP:TRAC 0") is False


@pytest.mark.parametrize("name", ["workshop", "mixed-makes", "by-hand", "good-box"])
def test_what_is_salvaged_from_lines_is_what_the_whole_file_says(name: str) -> None:
    file = BENCHES / f"{name}.yaml"
    bench = load_bench(file)
    whole = known_sources(bench, made_drivers(bench))
    found = faulty_bench_file.salvaged(file.read_text(), {})
    assert [(s.name, s.address, s.off, s.query) for s in found] == [
        (s.name, s.address, s.off, s.query) for s in whole
    ]


@pytest.mark.parametrize(
    "text",
    [
        "instruments:\n  generator: {kind: source, address: TCPIP::192.0.2.1::5025::SOCKET}\n",
        "instruments:\n  generator:\n    adress: x\n    kind: source\n   address: "
        "TCPIP::192.0.2.1::5025::SOCKET\nfixtures: [\n",
        'instruments:\n\tgenerator:\n\t\tkind: "source"\n\t\taddress: '
        "'TCPIP::192.0.2.1::5025::SOCKET' # the old one\n",
        "bench: [\ninstruments:\n  generator:\n    address: TCPIP::192.0.2.1::5025::SOCKET\n"
        "    kind: source\n    frequency: [1 MHz\n",
    ],
    ids=["flow", "indentation", "tabs", "brackets"],
)
def test_a_source_is_salvaged_from_a_file_that_is_no_yaml(text: str) -> None:
    (source,) = faulty_bench_file.salvaged(text, {})
    assert source == KnownSource(
        "generator", "TCPIP::192.0.2.1::5025::SOCKET", (":OUTP:STAT OFF",), ":OUTP:STAT?"
    )
    (moved,) = faulty_bench_file.salvaged(text, {"generator": "TCPIP::192.0.2.9::5025::SOCKET"})
    assert moved.address == "TCPIP::192.0.2.9::5025::SOCKET"


def test_a_start_takes_its_own_sources_and_those_of_whoever_died(tmp_path: Path) -> None:
    mine, died, well = (f"TCPIP::192.0.2.{n}::5025::SOCKET" for n in (1, 2, 3))
    on_record(tmp_path / "data", tmp_path / "bench.yaml", mine)
    on_record(tmp_path / "other", tmp_path / "other.yaml", died)
    clean = new_record("roof", tmp_path / "roof.yaml", tmp_path / "roof", [known(well)])
    replace(clean, clean=True).keep()
    found, own = sources_at_start(Options(tmp_path / "bench.yaml", tmp_path / "elsewhere"))
    assert {source.address for source in found} == {mine, died}
    assert [record.bench_file for record in own] == [str(tmp_path / "bench.yaml")]
    everything = sources_of(records_in([state_folder()]))
    assert {source.address for source in everything} == {mine, died, well}


def test_where_nothing_can_be_written_the_record_refuses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = load_bench(BENCHES / "workshop.yaml")
    drivers = made_drivers(bench)
    (tmp_path / "file").touch()
    monkeypatch.setenv("BENCHD_STATE", str(tmp_path / "file" / "state"))
    one_place = SourceRecord(bench, drivers, BENCHES / "workshop.yaml", tmp_path / "data")
    one_place.keep()
    none = SourceRecord(bench, drivers, BENCHES / "workshop.yaml", tmp_path / "file" / "data")
    with pytest.raises(RecordNotKept, match=r"RF stays off: the list of sources.*cannot be"):
        none.keep()


@pytest.mark.parametrize(
    ("variables", "folder"),
    [
        ({"BENCHD_STATE": "/a", "STATE_DIRECTORY": "/b", "XDG_STATE_HOME": "/c"}, "/a"),
        ({"STATE_DIRECTORY": "/b:/d", "XDG_STATE_HOME": "/c"}, "/b"),
        ({"XDG_STATE_HOME": "/c"}, "/c/benchd"),
        ({"HOME": "/home/me"}, "/home/me/.local/state/benchd"),
    ],
)
def test_the_state_folder_is_where_the_environment_says(
    monkeypatch: pytest.MonkeyPatch, variables: dict[str, str], folder: str
) -> None:
    for name in ("BENCHD_STATE", "STATE_DIRECTORY", "XDG_STATE_HOME"):
        monkeypatch.delenv(name, raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    assert state_folder() == Path(folder)


def test_words_of_a_foreign_source_are_read_as_its_driver_reads_them() -> None:
    driver = ScpiSource(
        "generator",
        {},
        {"replies": {"rf_query": {"on": "RF IS ON", "off": ["MUTED", "RF IS OFF"]}}},
    )
    bench = load_bench(BENCHES / "workshop.yaml")
    generator = {"generator": bench.instruments["generator"]}
    (source,) = known_sources(
        bench.model_copy(update={"instruments": generator}), {"generator": driver}
    )
    said = [source.says_on(reply) for reply in ("muted", "RF IS  OFF\r", "rf is on", "1", "what")]
    assert said == [False, False, True, source.says_on("1"), None]


def test_a_source_that_cannot_be_asked_is_on_record_without_a_question() -> None:
    driver = ScpiSource("generator", {"rf_query": None}, {})
    bench = load_bench(BENCHES / "workshop.yaml")
    generator = {"generator": bench.instruments["generator"]}
    (source,) = known_sources(
        bench.model_copy(update={"instruments": generator}), {"generator": driver}
    )
    assert (source.query, source.off) == ("", (":OUTP:STAT OFF",))
