"""What a person is told of the outputs where the run cannot: its store failed, or its program is gone."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from wakeboard.harness.cli.run import conclude, tell_abandoned
from wakeboard.harness.run.guard.terms import OffReport
from wakeboard.results.ledger.text import tell_run

OFF, UNKNOWN = OffReport({"USB": "off"}), OffReport({"USB": "unknown"}, {"USB": "no reply"})


class Told:
    """Stands for the command line's words to a person."""

    json = False

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.note = self.caution = self.say = self.lines.append

    def emit(self, document: Any) -> None:
        pass


def ended(error: Exception, off: OffReport) -> Any:
    record = SimpleNamespace(
        unit="T-1", sequence="Steps", id="0123456789", says="", energised_s=2.5, as_json=dict, outcome="error",
        outputs_off=off.confirmed, trip=None, start=SimpleNamespace(virtual=False), steps=(), word="error",
    )  # fmt: skip
    return SimpleNamespace(record=record, error=error, off=off, outcome="error")


def test_a_store_that_fails_says_that_the_outputs_are_off() -> None:
    with pytest.raises(OSError, match="disk full") as caught:
        conclude(Told(), ended(OSError("disk full"), OFF))  # type: ignore[arg-type]
    assert "outputs confirmed off; energised for 2.5 s" in caught.value.__notes__


def test_a_store_that_fails_does_not_hide_outputs_that_are_on(capsys: pytest.CaptureFixture[str]) -> None:
    told = Told()
    assert conclude(told, ended(OSError("disk full"), UNKNOWN)) == 6  # type: ignore[arg-type]
    shown = capsys.readouterr().err
    assert "OUTPUTS NOT CONFIRMED OFF" in shown
    assert "USB: unknown (no reply)" in shown


@pytest.mark.parametrize("virtual", [True, False])
def test_after_runner_and_guard_were_killed_the_next_run_warns(virtual: bool) -> None:
    told, start = Told(), SimpleNamespace(virtual=virtual, unit="T-1")
    store = SimpleNamespace(
        mark_abandoned=lambda: ["0123456789"],
        sharing_caution=lambda: "",
        run=lambda *_what, **_more: SimpleNamespace(start=start),
    )
    page = SimpleNamespace(lines=[])
    page.warns = page.lines.append
    tell_abandoned(told, store, page)  # type: ignore[arg-type]
    assert "run 01234567 was broken off when its program ended" in told.lines[0]
    assert any("nothing says that the outputs were switched off" in each for each in told.lines) is not virtual
    assert any("unit T-1): before anyone touches that board" in each for each in page.lines) is not virtual, (
        "there, too"
    )


@pytest.mark.parametrize("virtual", [True, False])
def test_the_ledger_says_that_nobody_knows(virtual: bool) -> None:
    start = SimpleNamespace(virtual=virtual)
    record = SimpleNamespace(sequence="Steps", abandoned=True, steps=[SimpleNamespace(detail={})] * 2, start=start)
    told = tell_run(record)  # type: ignore[arg-type]
    assert told.startswith("Steps: the program ended in the middle, after 2 steps")
    assert ("look at the supply" in told) is not virtual
