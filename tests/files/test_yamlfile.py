"""Reading untrusted YAML: places, bounds, and what YAML 1.2 says about plain words."""

from __future__ import annotations

import contextlib
import json
import time
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from benchd.errors import RecipeError
from benchd.files.yamlfile import (
    DEEPEST_NESTING,
    LARGEST_FILE_BYTES,
    MOST_VALUES,
    parse_document,
    read_document,
    show_path,
)
from tests.generated import many


def message_of(text: str) -> str:
    with pytest.raises(RecipeError) as refusal:
        parse_document(text, file="f.yaml", error=RecipeError)
    return str(refusal.value)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("null", None),
        ("~", None),
        ("", None),
        ("true", True),
        ("False", False),
        ("0", 0),
        ("-19", -19),
        ("0o7", 7),
        ("0x3A", 58),
        ("0.", 0.0),
        ("-0.0", -0.0),
        (".5", 0.5),
        ("+12e03", 12000.0),
        ("-2E+05", -200000.0),
        ("yes", "yes"),
        ("on", "on"),
        ("1_000", "1_000"),
        ("2024-05-01", "2024-05-01"),
        ("12:30:00", "12:30:00"),
        ("'12'", "12"),
    ],
)
def test_plain_words_are_read_by_the_core_schema(text: str, value: object) -> None:
    """Numbers and words of YAML 1.2.2, section 10.3.2, examples of its table among them."""
    read = parse_document(f"a: {text}\n", file="f.yaml", error=RecipeError).data["a"]
    assert (type(read), read) == (type(value), value)


def test_every_value_and_key_knows_its_place() -> None:
    """Line and column from 1, as editors count."""
    document = parse_document(
        "a: {b: 1.7 GHz, c: [1, 2]}\n# remark\ne:\n  - x: 1\n  - y\n", file="f", error=RecipeError
    )
    places = [("a", "b"), ("a", "c", 1), ("e", 0, "x"), ("e", 1)]
    assert [document.place(path) for path in places] == [(1, 8), (1, 24), (4, 8), (5, 5)]
    assert document.place(("e", 0, "x"), on_key=True) == (4, 5)
    assert show_path(("e", 0, "x")) == "e[1].x"


def test_a_file_larger_than_allowed_is_not_read() -> None:
    """The bound acts on bytes, before anything is parsed."""
    text = "a: " + "b" * LARGEST_FILE_BYTES
    assert message_of(text) == "f.yaml: is larger than 256 kB; a file of this kind never is"


def test_a_large_file_on_disk_is_not_read_whole(tmp_path: Path) -> None:
    """The same message by path."""
    path = tmp_path / "large.yaml"
    path.write_bytes(b"a: b\n" * LARGEST_FILE_BYTES)
    with pytest.raises(RecipeError, match="is larger than 256 kB"):
        read_document(path, error=RecipeError)


def test_deep_nesting_stops_at_its_bound() -> None:
    """An open bracket costs the parser more with each level: stop early."""
    started = time.perf_counter()
    assert message_of("[" * 100_000) == (
        f"f.yaml:1:{DEEPEST_NESTING + 2}: is nested deeper than {DEEPEST_NESTING} levels"
    )
    # Unbounded, the parser needs minutes for this text; the bound is generous on purpose.
    assert time.perf_counter() - started < 10.0


def test_many_values_stop_at_their_bound() -> None:
    """A flood of small values is a flood too."""
    text = "[" + "a," * (MOST_VALUES + 10) + "]"
    assert message_of(text).endswith(f"holds more than {MOST_VALUES} values")


def test_an_alias_bomb_is_refused_before_it_unfolds() -> None:
    """Nine lines that would unfold to 10^9 values."""
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 9)]
    first = 'f.yaml:1:5: a0: found the YAML anchor "&a0"; write the value out instead'
    assert message_of("\n".join(lines)).splitlines()[0] == first


def test_wrong_encoding_is_told_with_the_byte(tmp_path: Path) -> None:
    """A file saved in an old code page."""
    path = tmp_path / "old.yaml"
    path.write_bytes("title: ok\nabout: Störung\n".encode("latin-1"))
    with pytest.raises(RecipeError) as refusal:
        read_document(path, error=RecipeError, file="old.yaml")
    assert str(refusal.value) == (
        "old.yaml:2:10: is not UTF-8 text: byte 0xF6 cannot be read; save the file in UTF-8"
    )


def test_utf_16_is_told_as_wrong_encoding(tmp_path: Path) -> None:
    """What some editors write by default."""
    path = tmp_path / "wide.yaml"
    path.write_text("title: ok\n", encoding="utf-16")
    with pytest.raises(RecipeError, match="is not UTF-8 text: byte 0xFF cannot be read"):
        read_document(path, error=RecipeError)


def test_a_byte_order_mark_does_no_harm(tmp_path: Path) -> None:
    """UTF-8 with a signature is UTF-8."""
    path = tmp_path / "signed.yaml"
    path.write_bytes(b"\xef\xbb\xbftitle: ok\r\nabout: yes\r\n")
    assert read_document(path, error=RecipeError).data == {"title": "ok", "about": "yes"}


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("missing.yaml", "No such file or directory"),
        (".", "Is a directory"),
        ("nul\0l.yaml", "embedded null byte"),
    ],
)
def test_a_file_that_cannot_be_opened_says_why(tmp_path: Path, name: str, reason: str) -> None:
    """The reason of the system, not a traceback."""
    with pytest.raises(RecipeError) as refusal:
        read_document(tmp_path / name, error=RecipeError, file="f.yaml")
    assert str(refusal.value) == f"f.yaml: cannot be read: {reason}"


def test_lone_surrogates_from_json_are_refused() -> None:
    """They cannot be stored, hashed or printed."""
    assert message_of('a: "\\ud800"').endswith(
        "found the unprintable character U+D800; take it out"
    )
    assert "U+D800" in message_of("a: \ud800")


def test_a_version_directive_of_one_file_does_not_change_the_next() -> None:
    """`yes` must stay text (the parser keeps its version between documents if it is reused)."""
    assert 'found a "%" directive' in message_of("%YAML 1.1\n---\na: yes\n")
    assert parse_document("a: yes\n", file="f", error=RecipeError).data == {"a": "yes"}
    assert parse_document("%YAML 1.2\n---\na: yes\n", file="f", error=RecipeError).data == {
        "a": "yes"
    }


yaml_like = st.text(
    st.sampled_from(" \n\t:-[]{},#&*!|>'\"%@`?\\aby01.~eE+_$\x00\x85\ufeff\ud800"), max_size=120
)


@settings(max_examples=many(400))
@given(st.one_of(yaml_like, st.text(max_size=200)))
@example('"\\UFFFFFFFF"')
@example("? [a]\n: b")
@example("- - - -\n")
@example("a: !!binary x")
@example("&")
@example("!<")
def test_any_text_reads_or_is_refused(text: str) -> None:
    """Nothing but the error of the file's kind ever leaves the reader."""
    with contextlib.suppress(RecipeError):
        parse_document(text, file="f.yaml", error=RecipeError)


plain_data = st.recursive(
    st.one_of(st.booleans(), st.integers(-(10**9), 10**9), st.text("abc xyz:-#$'\"", max_size=12)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.text("abcde", min_size=1), inner, max_size=4),
    ),
    max_leaves=20,
)


@settings(max_examples=many(150), deadline=None)
@given(st.dictionaries(st.text("abcde", min_size=1), plain_data, max_size=5), st.booleans())
def test_json_is_read_as_yaml(data: dict[str, object], escaped: bool) -> None:
    """JSON is a subset of YAML 1.2 (YAML 1.2.2, section 1.2): the standard library writes it."""
    text = json.dumps(data, ensure_ascii=escaped)
    assert parse_document(text, file="f", error=RecipeError).data == data
