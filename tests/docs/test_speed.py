"""The section of `docs/speed.md` that one command writes."""

from tests.benchmarks.curves import HEADING, Line, section, table, written
from tests.system.rigging import REPOSITORY

PAGE = REPOSITORY / "docs" / "speed.md"
LINES = [Line("points", "reduce", (101, 1001), (5.0, 12.34))]


def test_the_page_tells_how_cost_grows_with_all_five() -> None:
    page = PAGE.read_text(encoding="utf-8")
    told = page[page.index(HEADING) :]
    for along in ("points", "captures stored", "results stored", "antennas", "viewers"):
        assert f"| {along} | " in told, along
    assert (PAGE.parent / "pictures" / "cost.svg").is_file()


def test_a_row_has_each_amount_with_its_cost() -> None:
    assert table(LINES).splitlines()[-1] == "| points | reduce | 101: 5, 1,001: 12.3 |"


def test_the_section_is_written_anew_and_the_rest_of_the_page_stays() -> None:
    first = section(LINES, "pictures/cost.svg")
    page = written("# How fast\n\nText.\n", first)
    assert page == "# How fast\n\nText.\n\n" + first
    assert written(page, first) == page
    between = page + "\n## Another\n\nMore.\n"
    assert written(between, first) == between
