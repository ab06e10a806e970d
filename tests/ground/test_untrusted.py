"""What comes from outside can neither hang, nor fill the memory, nor pass for another number."""

from __future__ import annotations

import os
import re
import socket
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.bench import load_bench
from benchd.cli.options import read_recipe_file
from benchd.cli.serving import read_address, read_secret
from benchd.engine.recipes import RecipeShelf
from benchd.errors import BenchFileError, RecipeError, UserError
from benchd.publish.connection import BrokerRefused, tls_context
from benchd.publish.settings import BrokerSettings
from benchd.recipe import load_recipe
from benchd.units import Kind, UnitError, parse
from benchd.untrusted import decimal_number, read_regular, whole_number

OTHER_DIGITS = ["١٠", "１０", "१०", "1_0", "²", "1٫5"]


@pytest.fixture(params=["pipe", "socket", "device", "endless device", "folder", "link to a pipe"])
def strange(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A file that is no regular file; opening or reading it might never end."""
    path = tmp_path / "strange.yaml"
    if request.param == "pipe":
        os.mkfifo(path)
    elif request.param == "socket":
        with socket.socket(socket.AF_UNIX) as server:
            server.bind(str(path))
    elif request.param == "device":
        path.symlink_to("/dev/tty")
    elif request.param == "endless device":
        path.symlink_to("/dev/zero")
    elif request.param == "folder":
        path.mkdir()
    else:
        os.mkfifo(tmp_path / "pipe")
        path.symlink_to(tmp_path / "pipe")
    return path


def test_nothing_but_a_regular_file_is_opened(strange: Path) -> None:
    with pytest.raises(OSError, match=r"(expected a regular file|Is a directory)"):
        read_regular(strange, 100)


def test_a_strange_file_is_refused_as_bench_recipe_token_password_and_certificates(
    strange: Path,
) -> None:
    with pytest.raises(
        BenchFileError, match=r"cannot be read: .*(expected a regular file|Is a directory)"
    ):
        load_bench(strange)
    with pytest.raises(RecipeError, match=r"(expected a regular file|Is a directory)"):
        load_recipe(strange)
    with pytest.raises(
        UserError, match=r"cannot read the recipe file: .*(expected a regular file|Is a directory)"
    ):
        read_recipe_file(str(strange))
    with pytest.raises(
        UserError, match=r"--token-file: .*(expected a regular file|Is a directory)"
    ):
        read_secret(strange, "--token-file")
    with pytest.raises(
        UserError, match=r"the password file cannot be read: (it is .*regular file|Is a directory)"
    ):
        BrokerSettings.from_url("mqtts://me@broker.example", bench="b", password_file=strange)
    settings = BrokerSettings.from_url("mqtts://broker.example", bench="b", ca_file=strange)
    with pytest.raises(
        BrokerRefused, match=r"the CA file cannot be used: (it is .*regular file|Is a directory)"
    ):
        tls_context(settings)


def test_a_strange_file_among_the_recipes_costs_that_recipe_only(strange: Path) -> None:
    good = "recipe: good\ntitle: Good\nsteps:\n  - wait: {for: 1 s}\n"
    (strange.parent / "good.yaml").write_text(good, encoding="utf-8")
    found = {one["name"]: one for one in RecipeShelf([strange.parent]).listing()}
    assert (found["good"]["title"], found["good"]["error"]) == ("Good", "")
    assert re.search("expected a regular file|Is a directory", found["strange"]["error"])
    with pytest.raises(RecipeError, match=r"(expected a regular file|Is a directory)"):
        RecipeShelf([strange.parent]).get("strange")


@pytest.mark.parametrize("text", ["", "\n", "no certificate", "\xff"])
def test_a_file_without_certificates_does_not_mean_the_computers_own(
    text: str, tmp_path: Path
) -> None:
    file = tmp_path / "ca.pem"
    file.write_text(text, encoding="latin-1")
    settings = BrokerSettings.from_url("mqtts://broker.example", bench="b", ca_file=file)
    with pytest.raises(BrokerRefused, match="the CA file cannot be used"):
        tls_context(settings)


def test_no_more_than_asked_for_is_read(tmp_path: Path) -> None:
    file = tmp_path / "large"
    file.write_bytes(b"x" * 1000)
    assert len(read_regular(file, 100)) == 101
    assert len(read_regular(file, 1000)) == 1000
    file.write_bytes(b"x" * 70_000)
    with pytest.raises(UserError, match="it holds more than 65536 bytes"):
        read_secret(file, "--token-file")


@pytest.mark.parametrize(
    "text", [*OTHER_DIGITS, "nan", "inf", "1e999", "9" * 5000, "", "+ 1", "0x1"]
)
def test_numbers_are_written_in_ten_digits(text: str) -> None:
    with pytest.raises(ValueError, match=r"is no (whole |finite )?number"):
        decimal_number(text)
    with pytest.raises(ValueError, match="is no whole number"):
        whole_number(text)
    with pytest.raises(UnitError):
        parse(f"{text} GHz", Kind.FREQUENCY)
    with pytest.raises(UserError, match="is not HOST:PORT"):
        read_address(f"127.0.0.1:{text}")


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_number_that_python_writes_reads_back(value: float) -> None:
    assert decimal_number(repr(value)) == value


@given(st.integers(-(10**18) + 1, 10**18 - 1))
def test_every_whole_number_reads_back(value: int) -> None:
    assert whole_number(str(value)) == value


def test_minus_zero_is_zero() -> None:
    assert str(decimal_number("-0")) == "0.0"
    assert str(parse("-0 dBm", Kind.LEVEL)) == "0.0"
