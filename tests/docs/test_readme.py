"""Every command, example, topic, flag, link and file name of README and docs, held against the
code."""

from __future__ import annotations

import asyncio
import csv
import json
import re
import shlex
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import aiomqtt
import jsonschema
import pytest
import typer.main
from ruamel.yaml import YAML

from benchd.bench import Bench, load_bench
from benchd.cli.app import app
from benchd.publish import EmbeddedBroker, Topics, schemas
from benchd.publish.order_models import parse_order
from benchd.recipe import load_recipe, resolve
from benchd.report import wording
from benchd.store.topics import encode_part
from drivers.registry import find_driver
from simulators.control import Control
from simulators.instruments import SimulatedClock, Workbench
from simulators.serving import _parser as simulator_parser
from simulators.transports import Host
from simulators.world import World, world_path
from tests.patience import PATIENCE_S

REPOSITORY = Path(__file__).resolve().parents[2]
OFFLINE = ("check", "schemas")
TABLES_OF_STUDIES = ("coverage.md", "faults.md", "gains.md")
IN_DOCS = sorted(
    path for path in (REPOSITORY / "docs").glob("*.md") if path.name not in TABLES_OF_STUDIES
)
PAGES = [REPOSITORY / "README.md", *IN_DOCS]
README = "\n".join(path.read_text(encoding="utf-8") for path in PAGES)


def _blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", README, re.DOTALL | re.MULTILINE)


def _commands() -> list[list[str]]:
    return [shlex.split(line) for block in _blocks("sh") for line in block.splitlines()]


def _table(heading: str) -> list[list[str]]:
    """Rows of the table whose first column has this heading."""
    found = re.search(rf"^\| {heading} \|.*\n\|[- |]+\|\n((?:\|.*\n)+)", README, re.MULTILINE)
    assert found, f"no table headed {heading}"
    return [[cell.strip() for cell in row.split("|")[1:-1]] for row in found[1].splitlines()]


def _cli() -> Any:
    """The command line as a group of commands."""
    return typer.main.get_command(app)


@pytest.fixture(scope="module")
def bench_text() -> str:
    (text,) = [block for block in _blocks("yaml") if block.startswith("bench:")]
    return text


@pytest.fixture
def bench(bench_text: str, tmp_path: Path) -> Bench:
    path = tmp_path / "bench.yaml"
    path.write_text(bench_text, encoding="utf-8")
    return load_bench(path)


@pytest.mark.parametrize("words", _commands(), ids=" ".join)
def test_every_command_line_is_one_that_benchd_takes(words: list[str]) -> None:
    program, *rest = words
    match program:
        case "make":
            targets = re.findall(r"^([a-z]+):", (REPOSITORY / "Makefile").read_text(), re.MULTILINE)
            assert rest
            assert set(rest) <= set(targets)
        case "benchd-simulator":
            assert simulator_parser().parse_args(rest).world
        case "benchd":
            name, *arguments = rest
            command = _cli().commands[name]
            # Reads all options and arguments, as a run would, and runs nothing.
            assert command.make_context(name, arguments).command is command
        case _:
            pytest.fail(f"README shows a program that benchd does not bring: {program}")


def test_the_commands_table_has_every_command_with_its_own_words() -> None:
    told = {row[0].strip("`").removeprefix("benchd "): row[1] for row in _table("command")}
    assert told == {name: command.short_help for name, command in _cli().commands.items()}


def test_the_bench_example_loads_and_the_recipe_example_resolves_on_it(bench: Bench) -> None:
    (text,) = [block for block in _blocks("yaml") if block.startswith("recipe:")]
    worksheet = resolve(load_recipe(text, file="quick-look.yaml"), bench, {"antenna": "dipole r3"})
    assert [step.kind for step in worksheet.steps] == [
        "hands", "capture", "hands", "capture", "hands", "capture", "reduce", "accept",
    ]  # fmt: skip
    assert not [row for step in worksheet.steps if step.kind == "capture"
                for row in step.levels if row.limit_dbm is None]  # fmt: skip


def test_the_example_of_replaced_commands_fits_the_bench_example_and_its_driver(
    bench_text: str, tmp_path: Path
) -> None:
    (text,) = [block for block in _blocks("yaml") if block.startswith("instruments:")]
    yaml = YAML(typ="safe")
    whole, part = yaml.load(bench_text), yaml.load(text)
    for name, keys in part["instruments"].items():
        whole["instruments"][name].update(keys)
    path = tmp_path / "bench.yaml"
    with path.open("w") as file:
        yaml.dump(whole, file)
    generator = load_bench(path).instruments["generator"]
    driver = find_driver(generator.driver)("generator", generator.commands, generator.options)
    assert [exchange.message for exchange in driver.rf_off()] == ["OUTP OFF"]
    assert driver.set_frequency(1.7e9).message == "FREQ 1700000000"


def _files_named() -> Iterator[tuple[str, str]]:
    """Pages, and what each names: by its place in the repository, or by a link from the page."""
    for page in [REPOSITORY / "README.md", *sorted(REPOSITORY.glob("docs/**/*.md"))]:
        text = page.read_text(encoding="utf-8")
        for link in re.findall(r"\]\(([^)#\s]+)", text):
            yield page.name, str((page.parent / link).resolve().relative_to(REPOSITORY))
        if page in PAGES:
            for name in re.findall(r"`([\w./-]+)`", text):
                if "/" in name or re.fullmatch(r"[A-Z]+(\.md)?", name):
                    yield page.name, name


@pytest.mark.parametrize(("page", "name"), sorted(set(_files_named())))
def test_every_file_that_is_named_exists(page: str, name: str) -> None:
    made_by_the_reader = name.startswith(".venv/") or name == "BENCHD_DAEMON"
    assert made_by_the_reader or (REPOSITORY / name).exists()


def _anchors(page: Path) -> set[str]:
    """What a link may point to in a page: its headings, in lower case with dashes."""
    headings = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w -]", "", one.lower()).replace(" ", "-") for one in headings}


def test_every_link_to_a_heading_finds_it() -> None:
    for page in [*PAGES, *sorted(REPOSITORY.glob("docs/reference/*.md"))]:
        for link, anchor in re.findall(r"\]\(([^)#\s]*)#([^)\s]+)\)", page.read_text()):
            target = (page.parent / link) if link else page
            assert anchor in _anchors(target), (page.name, link, anchor)


def test_every_page_can_be_reached_from_the_readme() -> None:
    text = (REPOSITORY / "README.md").read_text(encoding="utf-8")
    for page in REPOSITORY.glob("docs/**/*.md"):
        assert f"]({page.relative_to(REPOSITORY)})" in text, page.name


def test_every_shipped_recipe_is_in_the_table_with_its_own_title() -> None:
    told = [f"| {row[0]} | {row[1]} |" for row in _table("recipe \\| what it measures")]
    assert told == [
        f"| `recipes/{path.name}` | {YAML(typ='safe').load(path)['title']} |"
        for path in sorted(REPOSITORY.glob("recipes/*.yaml"))
    ]


def test_every_topic_is_one_that_benchd_uses_and_none_is_missing() -> None:
    told = {row[0].strip("`").replace("<bench>", "my-bench") for row in _table("topic")}
    topics = Topics("my-bench")
    outbox = (
        "job/<id>",
        "result",
        "verdict",
        "latest/<antenna>/<quantity>",
        "reading/<antenna>/<quantity>/<unit>",
        "trace/<capture>",
    )
    assert told == {
        topics.presence, topics.epoch, topics.rf, topics.orders, topics.reply,
        *(topics.full(name) for name in outbox)
    }  # fmt: skip


def test_every_flag_has_words_in_the_program_too() -> None:
    told = {flag for row in _table("flag") for flag in re.findall(r"`([\w-]+)`", row[0])}
    assert told
    assert {flag for flag in told if wording.flag_words([flag]) == flag.replace("-", " ")} == set()


def test_the_example_payloads_fit_their_schemas() -> None:
    known = schemas()
    kinds = []
    for block in _blocks("json"):
        document: dict[str, Any] = json.loads(block)
        if "verb" in document:
            kinds.append(parse_order(block.encode()).verb)
            jsonschema.validate(document, known["benchd.order/1"])
        else:
            kinds.append(document["schema"])
            jsonschema.validate(document, known[document["schema"]])
    assert kinds == ["benchd.result/1", "queue", "ready", "ready", "stop", "withdraw", "replay"]


async def test_the_subscriber_example_prints_a_result_and_what_is_missing(tmp_path: Path) -> None:
    (code,) = [block for block in _blocks("python") if "Subscriber" in block]
    first = json.loads(_blocks("json")[0])
    later = {**first, "sequence": first["sequence"] + 3, "id": "later", "quantity": "vswr"}
    # Retained, so that the reader gets it whenever its subscription is ready.
    async with EmbeddedBroker("workshop") as broker:
        settings = broker.settings
        script = tmp_path / "subscriber.py"
        script.write_text(code.replace("1883", str(settings.port)), encoding="utf-8")
        async with aiomqtt.Client(
            settings.host, settings.port, username=settings.username, password=settings.password
        ) as client:
            await client.publish("benchd/workshop/result", json.dumps(first), qos=1, retain=True)
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-u", str(script)),
                stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT,
            )  # fmt: skip
            assert process.stdout is not None
            try:
                async with asyncio.timeout(PATIENCE_S):
                    one = await process.stdout.readline()
                    await client.publish("benchd/workshop/result", json.dumps(later), qos=1)
                    two = await process.stdout.readline()
                    three = await process.stdout.readline()
            finally:
                process.kill()
                await process.wait()
    assert one.decode() == f"dipole r3 return_loss {first['value']} dB\n"
    assert two.decode() == f"dipole r3 vswr {first['value']} dB\n"
    gap = (first["sequence"] + 1, first["sequence"] + 2)
    assert three.decode() == f"missing: ({gap},)\n"


async def test_the_store_example_writes_a_row_for_each_bare_number(tmp_path: Path) -> None:
    (code,) = [block for block in _blocks("python") if "csv" in block]
    base = "benchd/workshop/reading"
    async with EmbeddedBroker("workshop") as broker:
        settings = broker.settings
        script = tmp_path / "rows.py"
        script.write_text(code.replace("1883", str(settings.port)), encoding="utf-8")
        async with aiomqtt.Client(
            settings.host, settings.port, username=settings.username, password=settings.password
        ) as client:
            topic = f"{base}/{encode_part('dipole r3, 50%')}/return_loss/dB"
            await client.publish(topic, "12.2", qos=1, retain=True)
            process = await asyncio.create_subprocess_exec(
                sys.executable, str(script), stdout=asyncio.subprocess.PIPE
            )
            assert process.stdout is not None
            try:
                async with asyncio.timeout(PATIENCE_S):
                    lines = [await process.stdout.readline()]
                    await client.publish(f"{base}/patch/vswr/1", "null", qos=1)
                    await client.publish(f"{base}/patch/resonance_frequency/MHz", "1701.3", qos=1)
                    lines.append(await process.stdout.readline())
            finally:
                process.kill()
                await process.wait()
    found = [row[1:] for row in csv.reader(line.decode() for line in lines)]
    assert found == [
        ["workshop", "dipole r3, 50%", "return_loss", "dB", "12.2"],
        ["workshop", "patch", "resonance_frequency", "MHz", "1701.3"],
    ]


def test_the_commands_that_need_no_daemon_run_as_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for block in _blocks("yaml"):
        if block.startswith("bench:"):
            (tmp_path / "bench.yaml").write_text(block, encoding="utf-8")
        elif block.startswith("recipe:"):
            (tmp_path / "quick-look.yaml").write_text(block, encoding="utf-8")
    (tmp_path / "recipes").symlink_to(REPOSITORY / "recipes")
    monkeypatch.chdir(tmp_path)
    run = [words for program, *words in _commands() if program == "benchd" and words[0] in OFFLINE]
    assert [words[0] for words in run] == ["check", "check", "check", "schemas"]
    for words in run:
        _cli().main(words, prog_name="benchd", standalone_mode=False)
    assert {f"{kind}.schema.json" for kind in ("bench", "recipe", "benchd-result-1")} <= {
        path.name for path in (tmp_path / "schemas").iterdir()
    }


@pytest.fixture(scope="module")
def control() -> Control:
    workbench = Workbench(World.load(world_path("workshop")), SimulatedClock(0.0))
    return Control(Host(workbench, host="127.0.0.1", transports={}))


@pytest.mark.parametrize(
    "line", [line for line in "".join(_blocks("text")).splitlines() if line.startswith('{"do"')]
)
def test_every_thing_to_be_done_at_the_virtual_bench_can_be_done(
    line: str, control: Control
) -> None:
    assert json.loads(control.answer(line.encode()))["ok"], line
