"""The page on the files names every key that the files may have.

Figures are those of the invented board and of the tool itself, unless marked.
"""

import re
from pathlib import Path

import pytest

from wakeboard import harness
from wakeboard.harness.describe import bench
from wakeboard.harness.describe.board import board
from wakeboard.harness.describe.sequence import sequence
from wakeboard.instruments.quantity import parse_tolerance

PAGE = (Path(harness.__file__).parent / "describe.md").read_text(encoding="utf-8")
TABLES = {
    "[board]": board.BoardHead,
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
    "title, board": sequence.SequenceHead,
}
OF_THEIR_OWN = {"pin_command", "answers", "streams", "bleed"}  # tables with a row of their own


@pytest.mark.parametrize("table", TABLES)
def test_every_key_is_on_the_page(table):
    row = PAGE[PAGE.index("    " + table) :].split("\n    [")[0].split("\n\n")[0]
    keys = {field.alias or name for name, field in TABLES[table].model_fields.items()} - OF_THEIR_OWN
    assert keys - set(re.findall(r"\w+", row)) == set()


def test_a_tolerance_letter_of_the_page():
    """The table of quantities is read whole by tests/instruments/test_quantity_page.py."""
    assert '`"J"` is 5 %' in PAGE
    assert parse_tolerance("J").relative == 0.05
