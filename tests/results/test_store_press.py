"""A press of Ctrl-C while a step is written: who writes the same step once more has it in the file, once, and whole.

The press is put at one instruction after the other, in the store's own code and in what keeps its transactions.
"""

from __future__ import annotations

import contextlib
import random
import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

from wakeboard.results.records import RunStart, Step
from wakeboard.results.store.store import Store

Make = Callable[..., RunStart]
MakeStep = Callable[..., Step]

TRIES = 24
ITS_OWN = ("/results/store/", "contextlib.py", "/sqlalchemy/engine/base.py", "/sqlalchemy/engine/util.py")


class Press:
    """Raises KeyboardInterrupt at the instruction of this number, and counts them."""

    def __init__(self, at: int) -> None:
        self.at, self.seen = at, 0

    def __call__(self, frame: FrameType, event: str, _argument: Any) -> Any:
        if not any(each in frame.f_code.co_filename for each in ITS_OWN):
            return None
        frame.f_trace_opcodes = True
        if event == "opcode":
            self.seen += 1
            if self.seen == self.at:
                sys.settrace(None)
                raise KeyboardInterrupt
        return self

    def during(self, act: Callable[[], None]) -> BaseException | None:
        before = sys.gettrace()
        sys.settrace(self)
        try:
            act()
        except BaseException as error:  # noqa: BLE001  SQLAlchemy may trip over it, and raise what it finds
            return error
        finally:
            sys.settrace(before)
        return None


def _instructions(store: Store, run: str, step: Step) -> int:
    press = Press(-1)
    assert press.during(lambda: store.commit_step(run, step)) is None
    return press.seen


@pytest.mark.filterwarnings("ignore:transaction already deassociated")  # of the transaction that was broken off
@pytest.mark.parametrize("place", range(TRIES))
def test_a_step_broken_off_at_any_instruction_is_written_once_more(
    tmp_path: Path, make_start: Make, make_step: MakeStep, place: int
) -> None:
    path = tmp_path / "press.db"
    with contextlib.closing(Store.open(path)) as store:
        run = store.begin_run(make_start())
        store.commit_step(run, make_step(number=1))
        all_of_them = _instructions(store, run, make_step(number=2))
        third = make_step(number=3)
        at = random.Random(place).randint(all_of_them * place // TRIES, all_of_them * (place + 1) // TRIES)
        broken = Press(at).during(lambda: store.commit_step(run, third))  # kept, as a run keeps what ended it
        store.commit_step(run, third)
        store.end_run(run, "error", outputs_off=True)
        with contextlib.closing(Store.open(path, read_only=True)) as fresh:
            assert [step.number for step in fresh.run(run).steps] == [1, 2, 3], f"pressed at {at}: {broken!r}"
            assert fresh.run(run).outcome == "error"
