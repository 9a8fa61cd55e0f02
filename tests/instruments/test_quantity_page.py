"""What the page of the files says may be written is read, and as what the page says."""

import re
from pathlib import Path

import pytest

from wakeboard.instruments.quantity import Interval, QuantityError, parse, parse_interval, parse_value, show

PAGE = Path(__file__).parents[2] / "harness" / "describe.md"


def rows():
    """(unit, text, what it is) of the table under "Quantities"."""
    part = PAGE.read_text(encoding="utf-8").split("## Quantities")[1].split("\n## ")[0]
    for line in part.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if len(cells) == 4 and '`"' in cells[2]:
            yield from ((cells[1], text, cells[3]) for text in re.findall(r'`"([^"`]*)"`', cells[2]))


@pytest.mark.parametrize(("unit", "text", "meaning"), list(rows()))
def test_each_written_form_is_read_as_the_page_says(unit, text, meaning):
    if ".." in meaning or meaning[0] in "<>":
        assert parse_interval(text, unit).show(unit) == meaning
        return
    assert show(parse(text, unit), unit) == meaning


def test_the_table_is_found_and_refusals_of_the_page_are_refused():
    assert len(list(rows())) > 50
    for text, unit in [
        ("3,3 V", "V"),
        ("1_000 V", "V"),
        ("10 KV", "V"),
        ("100n", "Ω"),
        ("4k7", "F"),
        ("47k", "H"),
        ("0...5 V", "V"),
        ("0 V ± 2 %", "V"),
        ("± 2 %", "V"),
    ]:
        for read in (parse, parse_value, parse_interval):
            with pytest.raises(QuantityError):
                read(text, unit)


def test_the_ends_of_a_tolerance_are_those_of_the_value():
    value = parse_value("3.3 V +- 66 mV", "V")
    assert Interval(value.low, value.high) == parse_interval("3.3 V +- 66 mV", "V")
