"""Every command that README.md and the pages beside the code print: run in the order printed, showing what is said.

The commands are those of fenced blocks and of lines indented as code. What cannot run here stands in NOT_HERE with its
reason, what runs in a smaller form in INSTEAD. A command that a page gains is in the test by being there.
"""

from __future__ import annotations

import re
import shlex
import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from wakeboard.harness.cli import execute

ROOT = Path(__file__).resolve().parents[1]
SKEP = ROOT / "sequences" / "demo" / "skep"
DRAWINGS = ROOT / "tests" / "drawings"
PAGES = ("README.md", *sorted(str(p.relative_to(ROOT)) for top in ("harness", "instruments", "results", "sequences")
                              for p in (ROOT / top).rglob("*.md")), "DEVELOPERS.md")  # fmt: skip
BY_NAME = {"README.md": "", "harness/drawings/drawings.md": "drawn"}
"""Pages whose commands are a story of their own, and the folder below the test's in which it is told."""

INSTALLS = "installs from a package index; .ci/run and tests/test_package.py do it from a built wheel"
BENCH = "wants instruments; tests/run/test_wire.py and test_by_hand.py have a bench on the wire"
PAGE = "serves until it is stopped; tests/page has it in a browser"
NOT_HERE = {
    r"python3 -m venv .*": INSTALLS,
    r"\.venv/bin/python -m pytest.*": "is this suite",
    r"wakeboard bench bench\.toml.*": BENCH,
    r"wakeboard bench --probe .*": "wants an instrument; tests/run/test_probe.py has one on the wire",
    r"wakeboard run .*--page.*": PAGE,
    r"wakeboard page.*": PAGE,
    r"wakeboard virtual .*": PAGE,
    r"wakeboard run .*--bench hand\.toml.*": PAGE,
    r"wakeboard run .*--bench bench\.toml": BENCH,
    r"pytest --wb-unit .*": "the plug-in starts a pytest of its own; tests/script does it",
    r"wakeboard rehearse .*--on .*": "starts a Dask cluster; tests/rehearse has one",
    r"wakeboard rehearse .*--bench .*": "wants a bench file; tests/rehearse has one, and a smaller sequence",
    r"wakeboard rehearse .*--pairs .*": "500 pairs take minutes; tests/rehearse takes few",
    r"wakeboard push .*": "wants a PostgreSQL server; tests/results/test_push.py has one",
    r"wakeboard revise .*": "judging rehearses two boards; tests/revise/test_by_commands.py, by reviews",
    r"wakeboard finding explain 1 .*--cause design": "the story of `revise`: tests/revise/test_by_commands.py",
    r"python -m pytest tests/drivers/test_dialects\.py.*": "is in this suite",
    r"\.venv/bin/ruff .*": ".ci/run does it",
    r"wakeboard changes rev-a/.*": "wants two revisions; tests/drawings/test_changes.py has them",
}
INSTEAD = {
    "wakeboard rehearse first-power-on.toml": "wakeboard rehearse first-power-on.toml --plant R14:missing",
    "wakeboard run my-board/first-power-on.toml --unit SN1 --bench my-board/bench.toml":
        "wakeboard run my-board/first-power-on.toml --unit SN1",
}  # fmt: skip
"""The same command with less to do: one fault of hundreds; the virtual bench, as the page says, for a real one."""

SAYS = {
    "wakeboard review board.toml": ["phantom-power", "V33_SENS"],
    "wakeboard run first-power-on.toml --unit SK-A-006 --plant R23:short": ["USB_DET dc volts", "reads low"],
    "wakeboard explain": ["R23", "U1.GPIO9 holds USB_DET low", "without power, the resistance from USB_DET to ground"],
    "wakeboard explain --ask --virtual": ["USB_DET ohms", "replace R23"],
    "wakeboard check my-board/*.toml": ["my-board/board.toml: good", "my-board/bench.toml: good"],
    "wakeboard new drawn-board --netlist board.ipc --bom bom.csv --places places.csv --pins U8=radio.ibs":
        ["to fill in", "wrote drawn-board/board.toml"],
    "wakeboard explain (2)": ["D3 .* is fitted the wrong way round", "turn D3 round"],
    "wakeboard compare board.toml --rework": [r"mended: RADIO_RST .*2\.[56]\d* V -> 0?\.?2[0-9. m]+V"],
    "wakeboard unit SK-A-001": ["1k1 across R31"],
    "wakeboard finding revision": ["R31: 1 kΩ instead of 47 kΩ"],
    "wakeboard report --board board.toml -o board.html": ["board.html"],
}  # fmt: skip
"""What the text beside a command promises, as patterns of its output; (2): of the second time that it is printed."""


class Printed(NamedTuple):
    page: str
    line: int
    command: str
    note: str


def commands(page: str) -> Iterator[Printed]:
    """The commands of a page: lines of fenced blocks without a language, and indented ones, that begin as one does."""
    fence = None
    for number, row in enumerate((ROOT / page).read_text(encoding="utf-8").splitlines(), 1):
        mark = re.match(r"```(\w*)", row)
        if mark:
            fence = mark[1] if fence is None else None
            continue
        code = row if fence == "" else row[4:] if fence is None and row.startswith("    ") else ""
        command, *note = re.split(r"\s+#\s|\s{2,}", code.strip(), maxsplit=1)
        if re.match(r"(wakeboard|python3?|pytest|cd|\.venv/\S+) ", command):
            yield Printed(page, number, command, note[0].strip("# ") if note else "")


ALL = [each for page in PAGES for each in commands(page)]


def why_not(command: str) -> str:
    if command in INSTEAD:
        return ""
    return next((why for pattern, why in NOT_HERE.items() if re.fullmatch(pattern, command)), "")


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[Printed, tuple[int, str]]]:
    """Every command that runs here -> its exit code and all that it printed, in the order printed."""
    top = tmp_path_factory.mktemp("pages")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", "80")
        lay_out(top)
        found = {}
        for printed in ALL:
            if not why_not(printed.command):
                patch.chdir(top / BY_NAME.get(printed.page, "aside"))
                found[printed] = run(INSTEAD.get(printed.command, printed.command))
        yield found


def lay_out(top: Path) -> None:
    """What the commands expect to be there: the folder that the demo leaves, and the files of a drawing."""
    sys.path.insert(0, str(DRAWINGS))
    from heron import STYLES

    for name in ("", "drawn", "aside"):
        (top / name).mkdir(exist_ok=True)
        for file in SKEP.glob("*.toml"):
            text = file.read_text(encoding="utf-8")
            text = up_to_usb(text) if file.name == "first-power-on.toml" else text
            (top / name / file.name).write_text(text, encoding="utf-8")
    for folder in (top, top / "drawn"):
        (folder / "files").mkdir()
        given = STYLES["plain"](folder / "files")
        for role, name in (("netlist", "board.ipc"), ("bom", "bom.csv"), ("places", "places.csv")):
            (folder / name).write_bytes(given[role].read_bytes())
        (folder / "radio.ibs").write_bytes((DRAWINGS / "radio.ibs").read_bytes())
    run_units(top)


def up_to_usb(text: str) -> str:
    """The first power-on by USB, without the same by the cell and by the panel: eight runs here take half as long. All
    of it is run by tests/rehearse/test_same_as_run.py, with faults."""
    return before(text, 'supply = "CELL"')


def before(text: str, step: str) -> str:
    """The steps of a sequence before the one in which this stands."""
    head = text.partition(step)[0]
    return head[: head.rindex("[[step]]")]


def run_units(folder: Path) -> None:
    """Two of the five runs of the demo, the second without power: the rest would only cost time, each explanation that
    looks at the board's other units included."""
    from wakeboard.harness.describe.load import load_sequence
    from wakeboard.harness.run.session import planted, take_unit
    from wakeboard.results.store.store import Store

    whole = folder / "first-power-on.toml"
    unpowered = folder / "unpowered.toml"
    unpowered.write_text(before(whole.read_text(encoding="utf-8"), 'supply = "USB"'), encoding="utf-8")
    with Store.open(str(folder / "wakeboard.db")) as store:
        for unit, file in (("SK-A-001", whole), ("SK-A-005", unpowered)):
            sequence = load_sequence(file)
            take_unit(sequence, unit=unit, plants=planted(sequence.board, unit), store=store)


def run(command: str) -> tuple[int, str]:
    """In this process, as a shell would split it."""
    import contextlib
    import io

    if command.startswith("cd "):
        return 0, ""
    words = [hit for word in shlex.split(command)[1:] for hit in globbed(word)]
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        code = execute(words)
    return code, out.getvalue()


def globbed(word: str) -> list[str]:
    return sorted(map(str, Path().glob(word))) if "*" in word else [word]


@pytest.mark.timeout(900)
def test_every_command_of_the_pages_runs_in_the_order_printed(told: dict[Printed, tuple[int, str]]) -> None:
    refused = {each: shown for each, (code, shown) in told.items() if code not in (0, 1)}
    assert refused == {}
    assert len(told) > 25, "the pages have lost their commands, or the reader of the pages has"


@pytest.mark.timeout(900)
def test_and_shows_what_the_text_says(told: dict[Printed, tuple[int, str]]) -> None:
    shown = {name: " ".join(text.split()) for name, (_, text) in zip(numbered(told), told.values(), strict=True)}
    missing = [(c, pattern) for c, patterns in SAYS.items() for pattern in patterns if not re.search(pattern, shown[c])]
    assert missing == []


def numbered(told: Iterable[Printed]) -> Iterator[str]:
    """A command by its text; the second time that it is printed with (2) behind it."""
    seen: Counter[str] = Counter()
    for each in told:
        seen[each.command] += 1
        yield each.command + (f" ({seen[each.command]})" if seen[each.command] > 1 else "")


def test_what_is_left_out_is_there_and_has_its_reason() -> None:
    """No reason is kept for a command that no page prints any more."""
    printed = {each.command for each in ALL}
    assert [pattern for pattern in NOT_HERE if not any(re.fullmatch(pattern, each) for each in printed)] == []
    assert set(INSTEAD) <= printed
    assert {command.removesuffix(" (2)") for command in SAYS} <= printed
