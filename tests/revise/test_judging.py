"""Changes of Skep whose effect is known by hand, judged; the effects were written down before the first run."""

from __future__ import annotations

from pathlib import Path

from wakeboard.harness.describe.load import load_board
from wakeboard.harness.revise.judging import BREAKS, MENDS, NOTHING, judge
from wakeboard.harness.revise.plan import Change, Plan

SKEP = Path(__file__).parents[2] / "sequences" / "demo" / "skep"

KNOWN = (
    ("R31:value=1k", MENDS),  # 13 kΩ up against 1 kΩ down: 0.24 V of 3.3 V
    ("R2:value=5.6k", NOTHING),  # the terminator of a USB-C pin within what a source still reads; no line hangs on it
    ("C5:value=220 nF", NOTHING),  # a decoupling capacitor: no level in any state
    ("R10:missing", BREAKS),  # nothing holds the boot strap
)


def test_each_change_has_its_known_effect_and_the_file_is_not_touched() -> None:
    board = load_board(SKEP / "board.toml")
    text = board.text
    changes = [Change(title=word, do=(word,)) for word, _ in KNOWN]
    plan = Plan(board="board.toml", revision="B", learned=("U5.NRST:pull_up=13k",), change=changes)
    found = judge(board, plan)
    assert [(each.change.title, each.effect) for each in found.verdicts] == list(KNOWN)
    assert [each.rule for each in found.still] == ["phantom-power"]
    assert "undefined-level" in [each.rule for each in found.mended]
    assert found.worse
    reset = next(each for each in found.margins if (each.line, each.level) == ("RADIO_RST", "boot: low"))
    assert reset.before is not None
    assert reset.after is not None
    assert reset.before < 0 < reset.after
    assert (SKEP / "board.toml").read_text(encoding="utf-8") == text
