"""How many changes are judged right: seventy on small drawings, worked out by hand, and
some on twelve larger ones.

    python tests/benchmarks/revise_effects.py [EVERY]

The larger drawings are those of tests/review: a revision that takes a planted mistake out mends, one that changes a
blocking capacitor by a fifth does nothing, one that plants a second mistake breaks. EVERY: of a drawing's mistakes,
one in so many is tried (default 4).
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent / "revise"), str(HERE.parent / "review")]

from forty import DRAWINGS, LATER, LATEST, Drawing  # noqa: E402
from planted import Mistake, drawing, mistakes, names  # noqa: E402

from wakeboard.harness.describe.load import load_board  # noqa: E402
from wakeboard.harness.describe.problems import FileProblems  # noqa: E402
from wakeboard.harness.revise.judging import Reviewed, judge, worth  # noqa: E402
from wakeboard.harness.revise.plan import Change, load_plan  # noqa: E402
from wakeboard.instruments.virtual.circuit.errors import CircuitError  # noqa: E402

WORDS = {"mends": "mends", "mends nothing": "nothing", "breaks": "breaks", "makes worse": "worse"}


def small(folder: Path, drawings: Sequence[Drawing]) -> Iterator[tuple[str, str, str]]:
    """(truth, judged, what) of each change."""
    for each in drawings:
        board = load_board(each.board(folder))
        for number, (truth, change, _) in enumerate(each.changes):
            found = judge(board, load_plan(each.plan(folder, number))).verdicts[0]
            yield truth, WORDS[found.effect], f"{each.name}: {change}"


def larger(folder: Path, every: int) -> Iterator[tuple[str, str, str]]:
    """The same of the twelve drawings."""
    change = Change(title="one", do=("R1:value=1k",))
    for name in names():
        all_of_them = list(mistakes(name))
        for number in range(0, len(all_of_them), every):
            first, second = all_of_them[number], all_of_them[number - len(all_of_them) // 2]
            try:
                text = first.apply(drawing(name))
                before = _reviewed(text, folder)
            except FileProblems:
                continue  # refused when it is read: no revision is judged of that
            if not before.concerns:
                continue  # raised as a note of `check`, or not at all: the review's own benchmark counts those
            for truth, after, what in _revisions(text, drawing(name), second):
                try:
                    effect = WORDS[worth(before, _reviewed(after, folder), change).effect]
                except (FileProblems, CircuitError):
                    effect = "breaks"
                yield truth, effect, f"{name}: {first.says}; {what}"


def _revisions(text: str, good: str, second: Mistake) -> Iterator[tuple[str, str, str]]:
    yield "mends", good, "taken out"
    if text.count('value = "100 nF"'):
        yield "nothing", text.replace('value = "100 nF"', 'value = "120 nF"', 1), "a capacitor"
    try:
        yield "breaks", second.apply(text), f"and {second.says}"
    except ValueError:
        return


def _reviewed(text: str, folder: Path) -> Reviewed:
    (folder / "board.toml").write_text(text, encoding="utf-8")
    return Reviewed.of(load_board(folder / "board.toml"))


def main() -> None:
    every = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    with tempfile.TemporaryDirectory() as folder:
        at = Path(folder)
        for title, rows in (
            ("forty", small(at, DRAWINGS)), ("twenty", small(at, LATER)), ("ten", small(at, LATEST)),
            ("larger", larger(at, every)),
        ):  # fmt: skip
            counts = Counter[tuple[str, str]]()
            for truth, found, what in rows:
                counts[truth, found] += 1
                if truth != found:
                    print(f"  {truth}, judged {found}: {what}", flush=True)
            right = sum(count for (truth, found), count in counts.items() if truth == found)
            print(f"{title}: {right} of {sum(counts.values())} right; {dict(counts)}", flush=True)


if __name__ == "__main__":
    main()
