"""A supply that lets its output follow a command late, by its maker's own figures, is no board in trouble.

DP1308A, performance verification manual, appendix p5: less than 50 ms from a command to the output's change, a rise of
50 ms on the 25 V output; DP800, data sheet (second hand): less than 118 ms.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from wakeboard.harness.run.context import Context
from wakeboard.harness.run.guard.core import Envelope
from wakeboard.harness.run.guard.local import LocalGuard
from wakeboard.harness.run.guard.owner import Feed, Guard, Ramp, Setting
from wakeboard.harness.run.services.envelope import INRUSH_FLOOR, envelope_of
from wakeboard.instruments.dialect import dialect_names, load_psu

COMMAND, RISE = 0.05, 0.05  # s, the makers' figures above
RAMP = Ramp(0.5, 0.02)


def late(psu: Any, clock: Any) -> Any:
    """The output stands where it was COMMAND ago, and takes RISE to get there: it follows the voltage set."""
    told: list[tuple[float, float]] = [(-1.0, 0.0)]
    sample, setting, on = psu.sample, psu.set, psu.on

    def follow(channel: Any, volts: float, amps: float) -> None:
        setting(channel, volts, amps)
        if psu.outputs.get(channel):
            told.append((clock.now(), volts))
        psu.wanted = volts

    def switched(channel: Any) -> None:
        on(channel)
        told.append((clock.now(), psu.wanted))

    def seen(channel: Any) -> Any:
        found = sample(channel)
        due = [each for each in told if each[0] <= clock.now() - COMMAND]
        before = due[-2][1] if len(due) > 1 else 0.0
        share = min(1.0, (clock.now() - COMMAND - due[-1][0]) / RISE)
        found.volts = before + share * (due[-1][1] - before)
        return found

    psu.set, psu.on, psu.sample, psu.wanted = follow, switched, seen, 0.0
    return psu


def held(settle: float | None) -> Envelope:
    """What a run would hold this supply to, by what its dialect states."""
    psu = SimpleNamespace(settle_s=settle)
    guard = LocalGuard(Guard({"USB": Feed(psu, 1, "supply")}, cast(Any, None)), cast(Any, None))
    context = SimpleNamespace(guard=guard, drawn=SimpleNamespace(farads=1e-6))
    return envelope_of(cast(Context, context), "USB", 5.0, 0.12, None, None)


def cut_of(fake_psu: Any, clock: Any, envelope: Envelope, ramp: Ramp | None, **board: Any) -> Any:
    guard = Guard({"USB": Feed(late(fake_psu(**board), clock), 1, "supply")}, clock)
    guard.prove_off()
    guard.arm("USB", Setting(5.0, 0.12), envelope)
    guard.on("USB", ramp)
    ends = clock.now() + 1.5
    while clock.now() < ends and guard.cut is None:
        clock.sleep(0.001)
        guard.tick()
    return guard.cut


@pytest.mark.parametrize("ramp", [None, RAMP])
def test_a_late_supply_trips_only_where_nobody_states_that_it_is_late(
    fake_psu: Any, clock: Any, ramp: Ramp | None
) -> None:
    unstated = cut_of(fake_psu, clock, held(None), ramp)
    assert unstated is not None
    assert unstated.rule == "under-voltage"
    assert cut_of(fake_psu, clock, held(COMMAND + RISE), ramp) is None


def test_what_it_states_grants_nothing_to_a_current_or_a_limit() -> None:
    plain, stated = held(None), held(0.12)
    assert plain.lag_s == 0.0
    assert stated.lag_s == pytest.approx(0.12 - INRUSH_FLOOR)
    assert held(0.02).lag_s == 0.0
    assert (stated.inrush_s, stated.limit, stated.most_amps) == (plain.inrush_s, plain.limit, plain.most_amps)


def test_a_board_that_pulls_it_down_is_cut_all_the_same(fake_psu: Any, clock: Any) -> None:
    """Half an ohm holds the output low while the supply does not limit: it is only later."""
    guard = Guard({"USB": Feed(psu := fake_psu(), 1, "supply")}, clock)
    guard.prove_off()
    guard.arm("USB", Setting(5.0, 0.12), held(0.1))
    guard.on("USB", None)
    sample = psu.sample

    def low(channel: Any) -> Any:
        found = sample(channel)
        found.volts = 3.0
        return found

    psu.sample, began = low, clock.now()
    while guard.cut is None and clock.now() < began + 1.0:
        clock.sleep(0.001)
        guard.tick()
    assert guard.cut is not None
    assert guard.cut.rule == "under-voltage"
    assert clock.now() - began == pytest.approx(held(0.1).inrush_s + 0.07, abs=0.01)


def test_a_figure_is_one_that_somebody_wrote_down() -> None:
    """A dialect without one states none: 0.05 s stood there for all before, and nobody had read it anywhere."""
    stated = {name: load_psu(name).settle for name in dialect_names("psu")}
    assert stated["rigol-dp800"] == 0.12
    assert stated["keysight-e36300"] is None
