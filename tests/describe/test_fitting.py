"""What `Common.say` does with long lines on a terminal."""

from __future__ import annotations

import io

import pytest

from wakeboard.harness.cli.fitting import broken, fitted


@pytest.mark.parametrize(
    ("line", "lines"),
    [
        ("a short line", None),
        (
            " 2.  < 1 %  a solder bridge joins two nets here",
            [" 2.  < 1 %  a solder bridge joins two", "            nets here"],
        ),
        (
            "    bodge: solder 1.1 kΩ across R31 of 4.18 kΩ",
            ["    bodge: solder 1.1 kΩ across R31 of", "      4.18 kΩ"],
        ),
        ("R14:" + 60 * "m", None),  # a word too long is for the terminal
        ("  wakeboard rework SK-A-005 'R14 fitted' --fault R14:as_drawn", None),
        ("\x1b[1m" + 20 * "red ", None),  # colours have no width
        (
            "\x1b[31m\x1b[1mFAILS\x1b[0m limit: the output takes 80 mA where 50 mA are set",
            ["\x1b[31m\x1b[1mFAILS\x1b[0m limit: the output takes 80 mA", "  where 50 mA are set"],
        ),
    ],
)
def test_broken_between_words_and_hanging_under_the_text(line: str, lines: list[str] | None) -> None:
    assert broken(line, 40).split("\n") == (lines or [line])


def test_whole_where_no_terminal_reads_it() -> None:
    line = 40 * "word "
    assert fitted(line, io.StringIO()) == line
