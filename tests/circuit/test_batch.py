"""A batch gives what one at a time gives, and one bad member spoils nothing.

No fact is checked here: each figure holds the solver against itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from circuit_build import D, R, V, board

from wakeboard.instruments.virtual.circuit import Circuit, Part, Simulation, SolveError, Variant, parse_fault
from wakeboard.instruments.virtual.circuit.faults.library import library

STATES = [
    {},
    {"bench_USB.on": False, "bench_CELL.on": True},
    {"U1.IO1.drive": "high"},
]


def variants() -> list[Variant]:
    faults = library(board(), [("+3V3", "GND"), ("VSYS", "+3V3")], ["EN", "RST", "IRQ"])
    return [Variant((fault,), state) for fault in faults for state in STATES]


def test_batch_equals_one_at_a_time() -> None:
    model = board().compile()
    every = variants()
    assert len(every) > 200
    together = model.solve(every).require()
    for k in range(0, len(every), 7):
        alone = model.solve([every[k]]).require()
        np.testing.assert_allclose(together.volts[k], alone.volts[0], rtol=1e-9, atol=1e-9, err_msg=str(every[k]))


def test_every_answer_balances() -> None:
    model = board().compile()
    every = variants()
    points = model.solve(every).require()
    floating = np.array([bool(points.floating(k)) for k in range(len(every))])
    assert points.residual[~floating].max() < 1e-9
    for net in ("VSYS", "+3V3", "EN"):
        through = sum(points.current(*text.split(".")) for text in model.circuit.on_net(net))
        quiet = [k for k, v in enumerate(every) if v.faults[0].kind not in ("bridge", "net", "open", "reversed")]
        assert np.abs(np.asarray(through)[quiet]).max() < 1e-8


def test_warm_start_changes_nothing() -> None:
    model = board().compile()
    # a load switch whose output is bridged to its own enable latches: two operating points, the start decides
    every = [v for v in variants() if not {"EN", "VS"} <= set(v.faults[0].target.split("+"))]
    cold = model.solve(every).require()
    from_one = model.solve(every, start=model.solve([Variant()])).require()
    from_all = model.solve(every, start=cold).require()
    np.testing.assert_allclose(from_all.volts, cold.volts, rtol=1e-8, atol=1e-8)
    np.testing.assert_allclose(from_one.volts, cold.volts, rtol=1e-8, atol=1e-8)


def test_a_poisoned_member_spoils_nobody() -> None:
    model = board().compile()
    good = [Variant(), Variant(values={"R6.value": 2e3})]
    bad = [
        Variant(values={"R6.value": float("nan")}),
        Variant(values={"R6.value": "many"}),
        Variant(values={"U2.volts": -3.0}),
        Variant(values={"bench_USB.volts": 1e300}),
    ]
    want = model.solve(good).require()
    mixed = model.solve([good[0], *bad, good[1]])
    np.testing.assert_allclose(mixed.volts[[0, 5]], want.volts, rtol=1e-9, atol=1e-9)
    assert list(mixed.status[[0, 5]]) == ["ok", "ok"]
    assert all(status != "ok" for status in mixed.status[1:4])
    assert np.isnan(mixed.volts[1:4]).all()
    with pytest.raises(SolveError, match="R6"):
        mixed.require()


def test_a_singular_member_spoils_nobody() -> None:
    """Two ideal sources made parallel by a moved pin: singular, and no answer; the rest of the batch stands."""
    circuit = Circuit(
        [V("A", "a", 5.0), V("B", "b", 3.0), R("R1", "a", "c", 1e3), R("R2", "b", "c", 1e3), D("D", "c", "GND")]
    )
    model = circuit.compile()
    points = model.solve([Variant(), Variant(moves={"B.P": "a"}), Variant(values={"R1.value": 500.0})])
    assert points.status[0] == points.status[2] == "ok"
    assert points.status[1] != "ok"
    with pytest.raises(SolveError) as caught:
        points.require()
    assert caught.value.member == 1
    assert caught.value.node in circuit.nets
    assert caught.value.parts


def test_specimens_are_the_same_tomorrow_and_differ() -> None:
    # definition: parts are drawn evenly within ± 2 %; 400 of them come near both ends
    model = board().compile()
    one, again, other = (model.solve([Variant(seed=s)]).require() for s in (7, 7, 8))
    assert one.net("+3V3")[0] == again.net("+3V3")[0]
    assert one.net("+3V3")[0] != other.net("+3V3")[0]
    many = model.solve([Variant(seed=s) for s in range(400)]).require()
    volts = many.net("+3V3")
    assert 3.3 * 0.98 - 1e-3 < volts.min() < 3.3 * 0.984
    assert 3.3 * 1.016 < volts.max() < 3.3 * 1.02 + 1e-3


def test_a_specimen_does_not_depend_on_its_neighbours() -> None:
    """A part's draw depends on (seed, part, value) alone, not on what else is on the board."""
    # definition: a part's draw belongs to its name and the seed
    model = board().compile()
    bigger = board().plus(R("R99", "VUSB", "GND", 1e6, tolerance={"value": 0.5})).compile()
    for net in ("+3V3", "VS"):
        a, b = (m.solve([Variant(seed=5)]).require().net(net)[0] for m in (model, bigger))
        assert a == pytest.approx(b, rel=1e-5)


def test_moved_meter_leads() -> None:
    # Ohm's law: a meter of 10 MΩ
    from circuit_build import meter

    model = board().plus(meter("+3V3")).compile()
    points = model.solve([Variant(), Variant(moves={"meter.HI": "VSYS"}), Variant(moves={"meter.HI": "EN"})]).require()
    reads = points.pin_volts("meter", "HI")
    assert reads[0] == points.net("+3V3")[0]
    assert reads[1] == points.net("VSYS")[1]
    assert points.current("meter", "HI")[1] == pytest.approx(reads[1] / 10e6, rel=1e-6)


def test_floating_net_is_flagged() -> None:
    model = board().compile()
    lone = Circuit([V("B", "a", 3.0), R("R1", "a", "n", 1e3), R("R2", "n", "GND", 1e3), R("R3", "n", "m", 1e3)])
    points = (
        lone.compile().solve([Variant(), Variant((parse_fault("R1:missing"), parse_fault("R2:missing")))]).require()
    )
    assert points.floating(0) == ()
    assert points.floating(1) == ("n", "m")
    points = model.solve([Variant(), Variant((parse_fault("U1.IRQ:open"),))]).require()
    assert points.floating(0) == ()
    assert points.floating(1) == ()


def plain(name: str) -> Callable[..., object]:
    """One of the elimination's functions as Python, which the compiled ones are made of."""
    from wakeboard.instruments.virtual.circuit.compiled import elimination

    function: Callable[..., object] = getattr(elimination, name).py_func
    return function


def test_elimination_agrees_with_lapack() -> None:
    """An independent solution of the same Jacobians, bridges and lifted pins among them: numpy's dense solver."""
    from wakeboard.instruments.virtual.circuit.compiled.elements import Extras
    from wakeboard.instruments.virtual.circuit.solver.newton import evaluate

    model = board().compile()
    points = model.solve(variants()[:64]).require()
    system, _ = model.system(points.plans)
    layout = system.layout
    e = evaluate(system, points.volts, partials=True)
    held = np.full(layout.nodes, 1e-12)
    right = np.random.default_rng(1).normal(size=(system.members, layout.nodes))
    assert len(system.groups) > 3
    for wiring, members in system.groups:
        for member in members:
            plus, minus, first, second = (
                each.astype(np.intp) for each in (wiring.plus, wiring.minus, wiring.first, wiring.second)
            )
            extras = Extras(first, second, system.siemens[member])
            matrix = np.empty((layout.nodes - 1, layout.nodes - 1))
            plain("dense")(
                layout.compiled, plus, minus, e.partials[member], held, extras, matrix
            )  # fmt: skip
            want = np.linalg.solve(matrix, right[member, 1:])
            value, found = np.empty(wiring.plan.slots), right[member].copy()
            plain("fill")(wiring.plan, layout.compiled, e.partials[member], held, extras.siemens, value)
            plain("factor")(wiring.plan, value)
            plain("substitute")(wiring.plan, value, found)
            assert np.abs(found[1:] - want).max() < 1e-6 * np.abs(want).max()
            row, pivoted = np.empty(layout.nodes - 1, dtype=np.int64), right[member].copy()
            assert plain("pivoted")(matrix, row)
            plain("pivoted_substitute")(matrix, row, pivoted)
            assert np.abs(pivoted[1:] - want).max() < 1e-9 * np.abs(want).max()


def test_singular_matrix_is_told() -> None:
    # linear algebra: rows in proportion have no inverse
    assert not plain("pivoted")(np.array([[1.0, 2.0], [2.0, 4.0]]), np.empty(2, dtype=np.int64))


def test_omega_agrees_with_scipy() -> None:
    """The junctions' closed form against scipy.special.wrightomega, from e^-80 to 10^6."""
    from scipy.special import wrightomega

    from wakeboard.instruments.virtual.circuit.compiled.elements import omega

    z = np.concatenate([np.linspace(-80, 80, 4001), np.linspace(-3, 4, 2001), 10 ** np.linspace(0, 6, 500)])
    np.testing.assert_allclose([omega.py_func(each) for each in z], wrightomega(z), rtol=1e-12)


def test_a_moved_setting_is_followed_from_the_last_answer() -> None:
    """A supply's setting swept up and down gives, from each last answer, what a cold start gives."""
    model = board().compile()
    last = None
    for volts in (0.0, 2.0, 4.0, 5.0, 4.9, 5.1, 3.0, 0.5):
        variant = Variant(values={"bench_USB.volts": volts})
        last = model.solve([variant], start=last).require()
        np.testing.assert_allclose(last.volts, model.solve([variant]).require().volts, rtol=1e-7, atol=1e-7)


def test_no_run_waits_for_a_compiler() -> None:
    """Compiling a circuit compiles or fetches all of the solver: later calls meet the types that it has met then."""
    from wakeboard.instruments.virtual.circuit.compiled.iteration import newton_group, state_group
    from wakeboard.instruments.virtual.circuit.solver.newton import linearised

    model = board().compile()
    assert len(newton_group.signatures) == len(state_group.signatures) == 1
    points = model.solve(variants()).require()
    assert len(points) >= 256  # enough to be shared out
    model.solve([Variant()], start=model.solve([Variant(seed=3)])).floating(0)
    linearised(model.system(points.plans[:4])[0], points.volts[:4])
    simulation = Simulation(model, Variant())
    simulation.advance(0.01)
    assert len(newton_group.signatures) == len(state_group.signatures) == 1


def test_the_plan_solves_linear_equations_as_a_library_does() -> None:
    """Of every wiring: rows of the inverse, and the steps for some right sides, against numpy's elimination."""
    from wakeboard.instruments.virtual.circuit.solver.newton import evaluate, lifts, linearised, steps

    model = Circuit([*board().parts, Part("V9", "v_source", {"P": "X9", "N": "GND"}, {"volts": 1.0}),
                     Part("R9", "resistor", {"1": "X9", "2": board().nets[1]}, {"value": 1e3})]).compile()  # fmt: skip
    points = model.solve(variants()[:12]).require()
    system = model.system(points.plans)[0]
    x = np.ascontiguousarray(points.solution.T)
    found, jacobian = linearised(system, x)
    partials = evaluate(system, x, partials=True).partials
    np.testing.assert_array_equal(partials, found.partials)
    inverse = np.linalg.inv(jacobian)
    members = np.array([3, 0, 3, 11])
    for node in range(1, model.layout.nodes):
        got = lifts(system, partials, members, node)
        assert not got[:, 0].any()
        np.testing.assert_allclose(got[:, 1:], inverse[members, node - 1], rtol=1e-6, atol=1e-6 * abs(inverse).max())
    right = np.random.default_rng(1).normal(size=(5, model.layout.size)) * 1e-6
    right[:, 0] = 0.0
    for member in (0, 7):
        want = np.linalg.solve(jacobian[member], right[:, 1:].T).T
        got = steps(system, partials, member, right.copy())[:, 1:]
        np.testing.assert_allclose(got, want, rtol=1e-6, atol=1e-6 * abs(want).max())


def test_what_variants_have_in_common_may_be_told_apart() -> None:
    """Values below others give what they give among them, to the last bit, however many share an object."""
    model = board().compile()
    low, high = {"bench_USB.volts": 4.0}, {"bench_USB.volts": 5.0}
    part = next(part.name for part in model.circuit.parts if part.kind == "resistor")
    under = {f"{part}.value": 3e3, "bench_USB.volts": 1.0}
    apart = [Variant(values=low, under=under), Variant(values=high, under=under), Variant(values=high, under={}),
             Variant((parse_fault(f"{part}:open"),), values=high, under=under)]  # fmt: skip
    whole = [replace(v, values={**(v.under or {}), **v.values}, under=None) for v in apart]
    got, want = model.solve(apart).require(), model.solve(whole).require()
    np.testing.assert_array_equal(got.volts, want.volts)
    assert len(model.system(got.plans)[0].parameters.rows) == 1  # no row of its own for each of them


def test_a_place_of_the_leads_asked_again_is_the_same_wiring() -> None:
    """Kept for the drawn board, and as it was made where a bridge or a lifted pin is there too."""
    model = board().compile()
    model.roaming = ("R1",)
    moved = [Variant(moves={"R1.1": net}) for net in ("VSYS", "EN", "+3V3")]
    bridged = [replace(v, faults=(parse_fault("EN+RST:bridge=100"),)) for v in moved]
    first = model.solve([*moved, *bridged]).require().volts
    again = model.solve([*moved, *bridged]).require().volts
    alone = np.array([board().compile().solve([v]).require().volts[0] for v in [*moved, *bridged]])
    assert first.tolist() == again.tolist()
    np.testing.assert_allclose(first, alone, rtol=1e-9, atol=1e-9)
