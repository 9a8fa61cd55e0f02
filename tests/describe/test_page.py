"""The page on the files names every key that the files may have."""

import re
from pathlib import Path

import pytest

from wakeboard import harness
from wakeboard.harness.describe import bench, board, sequence
from wakeboard.instruments.quantity import parse, parse_interval, parse_tolerance, parse_value

PAGE = (Path(harness.__file__).parent / "describe.md").read_text(encoding="utf-8")
TABLES = {
    "[board]": board.Head,
    "[supplies.X]": board.Supply,
    "[rails.X]": board.Rail,
    "[lines.X]": board.Line,
    "[points.X]": board.Point,
    "[links.X]   ": board.Link,
    "[target]": board.Target,
    "[target.pin_command]": board.PinCommand,
    "[[target.answers]]": board.Answer,
    "[[target.streams]]": board.Stream,
    "[instruments.X]": bench.Instrument,
    "[probing]": bench.Probing,
    "[probing.bleed]": bench.Bleed,
    "[volumes.X]": bench.Volume,
    "title, board": sequence.Head,
}
OF_THEIR_OWN = {"pin_command", "answers", "streams", "bleed"}  # tables with a row of their own


@pytest.mark.parametrize("table", TABLES)
def test_every_key_is_on_the_page(table):
    row = PAGE[PAGE.index("    " + table) :].split("\n    [")[0].split("\n\n")[0]
    keys = {field.alias or name for name, field in TABLES[table].model_fields.items()} - OF_THEIR_OWN
    assert keys - set(re.findall(r"\w+", row)) == set()


def test_the_examples_of_quantities_are_read():
    rows = {
        line.split("|")[1].strip(): re.findall(r'`"([^`]*)"`', line)
        for line in PAGE.splitlines()
        if line.startswith("|")
    }
    units = {"V": "V", "mA": "A", "µF": "F", "uF": "F", "ms": "s", "min": "s", "kB/s": "B/s", "kΩ": "Ω"}
    for text in rows["a quantity"]:
        assert parse(text, units[re.sub(r"[\d. ]", "", text)]) > 0
    for text in rows["a nominal with its tolerance"]:
        assert parse_value(text, "V").tolerance > 0
    for text in rows["limits"]:
        parse_interval(text, next(unit for word, unit in units.items() if word in text))
    for text in ("4k7", "2R2", "R47"):
        assert f'"{text}"' in PAGE
        parse(text, "Ω")
    for text in ("p47", "4µ7"):
        assert f'"{text}"' in PAGE
        parse(text, "F")
    assert parse_tolerance("J").relative == 0.05
