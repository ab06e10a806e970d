"""Topic parts against the rules of MQTT 3.1.1 (OASIS standard, 29 October 2014)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.store.topics import decode_part, encode_part


@pytest.mark.parametrize(
    ("name", "part"),
    [
        ("dipole r3", "dipole r3"),
        ("1/4 wave", "1%2F4 wave"),
        ("a+b", "a%2Bb"),
        ("#2", "%232"),
        ("5 %", "5 %25"),
        ("$SYS", "%24SYS"),
        ("", "%"),
        ("nul\0", "nul%00"),
        ("line\nfeed", "line%0Afeed"),
        ("Ω-loop", "Ω-loop"),
        ("\ufffe", "%EF%BF%BE"),
    ],
)
def test_a_name_becomes_one_level_of_a_topic(name: str, part: str) -> None:
    assert encode_part(name) == part


@given(st.text(alphabet=st.characters(exclude_categories=("Cs",))))
def test_any_name_comes_back_and_its_part_breaks_no_rule(name: str) -> None:
    part = encode_part(name)
    assert decode_part(part) == name
    # 4.7.3: at least one character, no U+0000; 4.7.1: no wildcards and no separator in a level;
    # 4.7.2: $ leads to the broker's own topics; 1.5.3: no control characters.
    assert part
    assert not set(part) & set("/+#\0")
    assert not part.startswith("$")
    assert all(ord(c) > 0x1F and not 0x7F <= ord(c) <= 0x9F for c in part)


def test_half_a_surrogate_pair_is_refused() -> None:
    with pytest.raises(ValueError, match="cannot be written in UTF-8"):
        encode_part("broken \ud800")
