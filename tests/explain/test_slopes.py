"""First-order effects of tolerances against finite differences of full solutions, and against a divider by hand."""

from __future__ import annotations

import numpy as np
import pytest

from wakeboard.harness.explain.evidence.observe import CURRENT
from wakeboard.harness.explain.unit.cases import BoardModel, Case, unknowns
from wakeboard.instruments.virtual.circuit import parse_fault
from wakeboard.instruments.virtual.circuit.bench.change import Change
from wakeboard.instruments.virtual.circuit.bench.unknowns import Unknown

FAULTS = [None, "U3.NRST:pull_up=13k", "R2:missing", "+3V3+GND:bridge=47", "U1.GPIO2:open", "D1:reversed"]


def _change(fault: str | None) -> Change:
    return Change() if fault is None else Change((parse_fault(fault),))


def _moved(case: Case, change: Change, tolerance: Unknown, way: float = 1.0) -> np.ndarray:
    """What full solutions make of a value moved by a thousandth of its deviation, for a whole one."""
    name = tolerance.path.partition(".")[0]
    step = way * tolerance.share / 1000
    if name.startswith("bench_"):
        moved = change.plus(Change(setting_errors={tolerance.path: step}))
    else:
        moved = change.plus(Change(values={tolerance.path: tolerance.drawn * (1 + step)}))
    seen = case.predictor.predict([moved, change])
    return (seen[0] - seen[1]) * 1000 * way


@pytest.mark.parametrize("fault", FAULTS)
def test_slopes_agree_with_full_solutions(fault: str | None, case) -> None:  # type: ignore[no-untyped-def]
    """U1.GPIO2:open moves a pin to a node of its own; a bridge is a conductance that no part has."""
    made: Case = case()
    change = _change(fault)
    # where outputs begin to drive is a corner: a step of any size looks across it
    known = [
        u for u in unknowns(made.model, made.fixed) if u.stray is None and not u.path.endswith((".wakes", ".runs_from"))
    ]
    shifts = made.predictor.shifts([change], known)[0]
    assert len(known) > 8
    assert np.abs(shifts).max() > 1e-3
    for t, tolerance in enumerate(known):
        want, back = _moved(made, change, tolerance), _moved(made, change, tolerance, -1.0)
        for k in range(len(want)):
            if want[k] != pytest.approx(back[k], rel=0.1, abs=1e-4):
                continue  # a knee right there has two slopes
            floor = 1e-6 if made.predictor.observations[k].quantity == CURRENT else 2e-5
            assert shifts[t, k] == pytest.approx(want[k], rel=1e-2, abs=floor), (tolerance.path, k)


def test_a_divider_by_hand(wren: BoardModel, case) -> None:  # type: ignore[no-untyped-def]
    """RST with 13 kΩ up to +3V3 and R1 = 47 kΩ down: dV = V R13/(R13 + R1) dR1/R1, the meter's 10 MΩ aside."""
    made: Case = case()
    change = _change("U3.NRST:pull_up=13k")
    shifts = made.predictor.shifts([change], [Unknown("R1.value", "", 0.01, drawn=47e3)])[0]
    at = next(
        k for k, o in enumerate(made.predictor.observations)
        if o.of == "RST" and o.state.key == "USB=5V@120mA; load=10MΩ"
    )  # fmt: skip
    volts = made.predictor.predict([change])[0, at]
    assert shifts[0, at] == pytest.approx(volts * 13 / 60 * 0.01, rel=0.03)


def test_slack_of_a_stiff_net_needs_no_push(case) -> None:  # type: ignore[no-untyped-def]
    """A net's resistance from its slope is what 1 µA would find: +3V3 behind a regulator, IRQ behind 100 kΩ."""
    made: Case = case()
    slack = made.predictor.slack([Change()])[0]
    by = {o.of: float(s) for o, s in zip(made.predictor.observations, slack, strict=True) if o.quantity == "dc volts"}
    assert by["+3V3"] < 1e-6
    assert by["IRQ"] == pytest.approx(100e3 * 5e-9, rel=0.02)


@pytest.mark.parametrize("fault", [None, "+3V3+GND:bridge=47", "U1.GPIO2:open"])
def test_one_diode_less_is_what_a_full_solution_says(fault: str | None, case) -> None:  # type: ignore[no-untyped-def]
    """Where slopes will do, and where the board is solved: within what the solver leaves undecided, both."""
    made: Case = case()
    paths = [each.path for each in made.model.lacking]
    assert len(paths) > 2
    change = _change(fault)
    want = made.predictor.predict([change.plus(Change(values={path: 0.0})) for path in paths])
    fresh = Case(made.run, BoardModel.of(made.model.board))
    before = fresh.predictor.stand.solved
    got = fresh.predictor.without(change, paths)
    # both ways were taken: the board itself in each state, and no more than some of all others
    states = len(set(fresh.predictor.scenes()))
    assert states < fresh.predictor.stand.solved - before < states * (1 + len(paths))
    np.testing.assert_allclose(got, want, rtol=1e-7, atol=1e-7)
