"""Commands that are to be copied: broken as a shell joins them again. What a shell makes of them is asked of one."""

from __future__ import annotations

import subprocess

import pytest

from wakeboard.results.continued import continued

LONG = 'wakeboard finding add "the radio\'s reset sits at 2.7 V" --evidence latest/7/RADIO_RST --cause design'


def _words(text: str) -> list[str]:
    script = f"set -- {text}\nprintf '%s\\n' \"$@\""
    return subprocess.run(["sh", "-c", script], capture_output=True, text=True, check=True).stdout.splitlines()


def test_a_command_that_fits_is_one_line() -> None:
    assert continued("wakeboard unit SK-A-001", 40) == ["wakeboard unit SK-A-001"]


@pytest.mark.parametrize("width", [40, 60, 79])
def test_a_shell_reads_the_broken_command_as_the_whole_one(width: int) -> None:
    lines = continued(LONG, width)
    assert len(lines) > 1
    assert all(line.endswith(" \\") for line in lines[:-1])
    assert _words("\n".join(lines)) == _words(LONG)
    assert all(len(line) <= width for line in lines) or width < 45


def test_an_option_stays_with_its_value() -> None:
    assert any(line.strip(" \\") == "--evidence latest/7/RADIO_RST" for line in continued(LONG, 45))
