"""The story that the README tells of rework, run as printed: each command in its order, showing what the text says."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest

from wakeboard.harness.cli import execute

ROOT = Path(__file__).resolve().parents[1]
SKEP = ROOT / "sequences" / "demo" / "skep"
NO_SERVER = "wakeboard push"  # wants a PostgreSQL server; tests/results/test_push.py has one


def commands_after(words: str) -> Iterator[tuple[list[str], str]]:
    """(arguments, what is noted beside it) of each command in the first shell block after these words."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    block = re.search(r"```\n(.*?)```", text[text.index(words) :], re.S)
    assert block
    for line in block[1].splitlines():
        command, _, note = line.partition(" # ")
        if not command.startswith(NO_SERVER):
            yield shlex.split(command)[1:], note.strip()


@pytest.fixture
def story(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> dict[str, str]:
    """First arguments of each command -> what it printed, in a folder as the demo leaves it."""
    for file in SKEP.glob("*.toml"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    for unit in ("SK-A-001", "SK-A-005"):
        assert execute(["run", "first-power-on.toml", "--unit", unit]) == 1
    capsys.readouterr()
    shown = {}
    for arguments, _ in commands_after("A story of rework"):
        code = execute(arguments)
        printed = capsys.readouterr()
        assert code in (0, 1), (arguments, printed.err)
        shown[" ".join(arguments)] = printed.out
    return shown


@pytest.mark.timeout(600)
def test_the_story_of_rework_shows_what_the_readme_says(story: dict[str, str]) -> None:
    compared = story["compare board.toml --rework"]
    mended = re.findall(
        r"mended: RADIO_RST [^:]*: ([\d.]+) V -> ([\d.]+) V", compared.replace("\n", " ").replace("  ", " ")
    )
    assert mended
    noted = next(note for arguments, note in commands_after("A story of rework") if "--rework" in arguments)
    before, after = (float(n) for n in re.findall(r"([\d.]+) V", noted))
    assert float(mended[0][0]) == pytest.approx(before, abs=0.1)
    assert float(mended[0][1]) == pytest.approx(after, abs=0.05)
    assert "broken" not in compared
    assert "1k1 across R31" in story["unit SK-A-001"]
    assert "R31: 1 kΩ instead of 47 kΩ" in story["finding revision"]
    assert "board.html" in story["report --board board.toml -o board.html"]
