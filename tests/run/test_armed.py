"""The supply's own protections, armed where runner and guard might both be gone; said where it cannot be done.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from wakeboard.harness.describe.load import load_board, load_sequence
from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.run.bench.opening import open_virtual
from wakeboard.harness.run.guard.armed import Armed, protections
from wakeboard.harness.run.guard.core import Envelope
from wakeboard.harness.run.guard.owner import Setting
from wakeboard.harness.run.runner import Runner
from wakeboard.harness.run.session import run_start
from wakeboard.instruments.errors import InstrumentFault

ENVELOPE = Envelope(5.0, 0.12, inrush_s=0.06)


def supply(ocp: str, most: float | None, ovp: bool = True) -> Any:
    return SimpleNamespace(can=SimpleNamespace(ocp=ocp, ovp=ovp), most_ocp_delay=lambda _channel: most)


@pytest.mark.parametrize(
    ("ocp", "most", "level", "delay"),
    [
        ("on limit", 0.255, 0.12, 0.12),
        ("on limit", 0.119, None, None),  # twice the inrush does not fit: every inrush would trip it
        ("on limit", None, None, None),
        ("level", 10.0, 0.108, 0.12),
        ("level", None, 0.18, None),  # above the limit: only where that fails
        ("none", None, None, None),
    ],
)
def test_by_default_as_the_supply_can(ocp: str, most: float | None, level: float | None, delay: float | None) -> None:
    plan = protections(Setting(5.0, 0.12, ovp=6.0), ENVELOPE, supply(ocp, most), "1")
    assert (plan.ovp, plan.asked) == (6.0, False)
    assert plan.ocp == (None if level is None else pytest.approx(level))
    assert plan.delay == (None if delay is None else pytest.approx(delay))
    assert plan.says


def test_what_the_step_allows_is_not_tripped_by_the_supply() -> None:
    held = Envelope(5.0, 0.12, inrush_s=0.06, most_amps=0.115)
    assert protections(Setting(5.0, 0.12), held, supply("level", 10.0), "1").ocp == pytest.approx(0.115)


def test_the_step_decides_where_it_says_something() -> None:
    asked = protections(Setting(5.0, 0.12, ocp=0.1), ENVELOPE, supply("level", None), "1")
    assert (asked.ocp, asked.delay, asked.asked) == (0.1, None, True)
    off = protections(Setting(5.0, 0.12, ocp=0.0), ENVELOPE, supply("level", 10.0), "1")
    assert (off.ocp, off.asked) == (None, False)
    assert "left off" in off.says


def test_without_over_voltage_protection_it_is_left_alone() -> None:
    assert protections(Setting(5.0, 0.12, ovp=6.0), ENVELOPE, supply("none", None, ovp=False), "1").ovp is None


def test_a_simple_supply_gets_what_it_is_told() -> None:
    assert protections(Setting(5.0, 0.12, ovp=6.0, ocp=0.1), ENVELOPE, object(), "1") == Armed(6.0, 0.1, asked=True)


# --- on the virtual bench --------------------------------------------------------------------------------------------
def output_of(bench: Any) -> Any:
    return bench.virtual.psus[0].supply.outputs[0]


@pytest.mark.parametrize(
    ("face", "armed", "told"),
    [
        ("e36312a", True, "is armed: "),
        ("plain", True, "is armed: "),
        ("dp832a", True, "is armed: "),
        ("hmp4040", False, "is not armed: it has no delay"),
        ("2230g", False, "no over-current protection of its own"),
    ],
)
def test_a_run_arms_what_the_supply_can_and_says_so(toy: Any, face: str, armed: bool, told: str) -> None:
    sequence = load_sequence(toy.sequence)
    with open_virtual(sequence.board, unit="T-1", psu=face) as bench:
        result = Runner(sequence, bench, run_start(sequence, bench, "T-1")).run()
        power = next(step for step in result.record.steps if step.kind == "power on")
        settings = output_of(bench).settings
        assert result.outcome in ("pass", "marginal"), result.error
        assert told in power.detail["protection"]
        assert power.detail["protection"] in power.says
        assert settings.ocp_on is armed
        if face in ("e36312a", "plain"):
            assert settings.ocp_delay >= 2 * power.detail["inrush_s"] - 0.001


def test_the_supply_cuts_by_itself_where_nobody_else_does(toy: Any) -> None:
    """Runner and guard are gone, then the board is shorted: the delay runs out, and the output goes off."""
    board = load_board(toy.board)
    with open_virtual(board, unit="T-1") as bench:
        guard = bench.guard.guard
        guard.prove_off()
        says = guard.arm("USB", Setting(5.0, 0.1, ovp=6.0), Envelope(5.0, 0.1, inrush_s=0.05))
        guard.on("USB")
        output = output_of(bench)
        bench.virtual.stage.advance(0.5)
        assert output.on, says
        bench.virtual.stage.change({"R3.value": 2.0})
        bench.virtual.stage.advance(0.08)
        assert output.on, "within twice the inrush"
        bench.virtual.stage.advance(0.1)
        assert not output.on
        assert output.tripped == "ocp"


def test_a_supply_that_does_not_take_it_is_used_without_and_it_is_said(
    toy: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    board = load_board(toy.board)
    with open_virtual(board, unit="T-1") as bench:
        guard = bench.guard.guard
        psu = guard.feeds["USB"].psu
        protect = psu.protect

        def refuses(channel: Any, ovp: Any = None, ocp: Any = None, delay: Any = None) -> None:
            if ocp is not None:
                raise InstrumentFault("supply reports -113 Undefined header", instrument="supply")
            protect(channel, ovp=ovp)

        monkeypatch.setattr(psu, "protect", refuses)
        guard.prove_off()
        says = guard.arm("USB", Setting(5.0, 0.1, ovp=6.0), Envelope(5.0, 0.1, inrush_s=0.05))
        assert says.startswith("its over-current protection is not armed: supply reports -113")
        assert output_of(bench).settings.ocp_on is False
        with pytest.raises(InstrumentFault):
            guard.arm("USB", Setting(5.0, 0.1, ovp=6.0, ocp=0.1), Envelope(5.0, 0.1, inrush_s=0.05))


@pytest.mark.parametrize("text", ['"0 A"', '"-1 A"', '"much"', "0.1"])
def test_a_level_that_is_none_is_refused(toy: Any, text: str) -> None:
    source = toy.sequence.read_text().replace('limit = "', f'ocp = {text}\nlimit = "', 1)
    with pytest.raises(FileProblems, match="ocp"):
        load_sequence(toy.write("level.toml", source))


def test_off_is_a_word_for_it(toy: Any) -> None:
    source = toy.sequence.read_text().replace('limit = "', 'ocp = "off"\nlimit = "', 1)
    sequence = load_sequence(toy.write("off.toml", source))
    assert next(step for step in sequence.steps if step.do == "power on").ocp == 0.0
