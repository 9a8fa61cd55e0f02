"""Nets that nothing much holds, points that no circuit stays at, and ideal sources in large circuits."""

from __future__ import annotations

import shutil

import ngspice_run
import numpy as np
import pytest
from circuit_build import D, R, V

from wakeboard.instruments.virtual.circuit import Circuit, Part, Variant, parse_fault
from wakeboard.instruments.virtual.circuit.solver.newton import linearised


def mos(name: str, drain: str, gate: str) -> Part:
    return Part(name, "mosfet", {"D": drain, "G": gate, "S": "GND"}, {"threshold": 1.0, "beta": 1e-3})


PULLED = (V("V1", "VDD", 5.0), R("R1", "VDD", "A", 1e4), R("R2", "VDD", "B", 1e4))
LATCH = (*PULLED, mos("M1", "A", "B"), mos("M2", "B", "A"))


# --- open nets --------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("kind", ["diode", "led"])
def test_an_open_net_behind_a_junction_is_at_its_feed_and_floats(kind: str) -> None:
    """It was pulled down by what stands in for nothing, up to 3.4 V for an LED, and not listed."""
    # closed form: without a load a junction drops nothing
    parts = (V("V1", "IN", 5.0), Part("D1", kind, {"A": "IN", "K": "OUT"}, {}), R("R1", "OUT", "GND", 1e3))
    points = Circuit(parts).compile().solve([Variant(), Variant((parse_fault("R1:missing"),))]).require()
    assert points.net("OUT")[1] == pytest.approx(5.0, abs=1e-3)
    assert points.floating(0) == ()
    assert points.floating(1) == ("OUT",)
    assert points.leaking(1) == ()  # the junction's own leakage holds it, if nothing else


def test_open_nets_one_behind_another_float_all() -> None:
    # closed form: without a load junctions drop nothing
    parts = [V("V1", "N0", 5.0), R("R1", "N6", "GND", 1e3)]
    parts += [D(f"D{k}", f"N{k}", f"M{k}") for k in range(6)]
    parts += [R(f"R{k}0", f"M{k}", f"N{k + 1}", 1e3) for k in range(6)]
    points = Circuit(parts).compile().solve([Variant((parse_fault("R1:missing"),))]).require()
    assert set(points.floating()) == {*(f"N{k}" for k in range(1, 7)), *(f"M{k}" for k in range(6))}
    assert points.net("N6")[0] == pytest.approx(5.0, abs=0.01)


def test_what_nothing_at_all_holds_sits_at_ground() -> None:
    # definition: what nothing holds counts as 0 V
    parts = (V("V1", "IN", 5.0), R("R1", "IN", "A", 1e3), R("R2", "A", "B", 0.01), R("R3", "B", "GND", 1e3))
    faults = (parse_fault("R1:missing"), parse_fault("R3:missing"))
    points = Circuit(parts).compile().solve([Variant(faults)]).require()
    assert points.net("A")[0] == pytest.approx(0.0, abs=1e-6)
    assert set(points.floating()) == set(points.leaking()) == {"A", "B"}


@pytest.mark.parametrize("ohms", [0.0, 1e-4, 1e-2, 1e3])
def test_open_nets_that_a_link_joins_are_held_by_nothing_either(ohms: float) -> None:
    """Over 0 Ω they were listed as floating, and not as held by nothing: ngspice had no way to ground for them."""
    # definition: two nets that only a resistor joins are one net without a way to anything
    parts = (V("V1", "IN", 5.0), R("R1", "IN", "A", 1e3), R("R2", "A", "B", ohms), R("R3", "B", "C", 1e3),
             R("R4", "IN", "D", 1e3), R("R5", "D", "GND", 1e3))  # fmt: skip
    points = Circuit(parts).compile().solve([Variant((parse_fault("R1:missing"),)), Variant()]).require()
    assert set(points.floating()) == set(points.leaking()) == {"A", "B", "C"}
    assert points.floating(1) == points.leaking(1) == ()


def test_a_bridge_to_what_is_held_holds_and_one_to_what_is_not_does_not() -> None:
    # definition, as above
    parts = (V("V1", "IN", 5.0), R("R1", "IN", "A", 1e3), R("R2", "A", "B", 1e3), R("R3", "IN", "C", 1e3))
    held = (parse_fault("R1:missing"), parse_fault("A+GND:bridge=3"))
    open_ = (parse_fault("R1:missing"), parse_fault("R3:missing"), parse_fault("A+C:bridge=3"))
    points = Circuit(parts).compile().solve([Variant(held), Variant(open_)]).require()
    assert points.leaking(0) == ()
    assert set(points.leaking(1)) == {"A", "B", "C"}


# --- edges ------------------------------------------------------------------------------------------------------------
def test_a_latch_is_never_left_half_way() -> None:
    # closed form: in the triode region 5 v² - 41 v + 5 = 0, so v = 0.123821 V
    points = Circuit(LATCH).compile().solve([Variant()]).require()
    assert points.remedy == ["nudge"]
    states = points.states()
    assert len(states) == 2
    for state, (low, high) in zip(states, (("A", "B"), ("B", "A")), strict=True):
        assert state[low] == pytest.approx(0.123821, abs=1e-5)
        assert state[high] == pytest.approx(5.0, abs=1e-6)
    assert states[0]["A"] == points.net("A")[0]


def test_two_latches_fall_both_off_their_edges() -> None:
    """The determinant of two edges is positive; their pivots are not."""
    rename = {"VDD": "VDD", "GND": "GND", "A": "C", "B": "D"}
    second = [
        Part(f"{p.name}b", p.kind, {pin: rename[net] for pin, net in p.pins.items()}, p.values)
        for p in LATCH
        if p.name != "V1"
    ]
    model = Circuit([*LATCH, *second]).compile()
    points = model.solve([Variant()]).require()
    system, _ = model.system(points.plans)
    jacobian = linearised(system, np.ascontiguousarray(points._x.T))[1][0]
    branch = len(jacobian) - 1  # the source's: v_VDD is given
    keep = [k for k in range(branch) if model.layout.node_names[k + 1] != "VDD"]
    assert np.linalg.eigvals(jacobian[np.ix_(keep, keep)]).real.min() > 0


def test_a_start_in_a_state_stays_there() -> None:
    # closed form, as above: 0.123821 V
    model = Circuit(LATCH).compile()
    first = model.solve([Variant(values={"R1.value": 1e6})]).require()
    again = model.solve([Variant()], start=first).require()
    assert again.net("A")[0] == pytest.approx(0.123821, abs=1e-5)


def test_a_constant_power_load_is_not_left_below_its_knee() -> None:
    """1 W behind 5 Ω from 5 V: 3.62 V (or 1.38 V, which no source holds). (5 - v)/5 = 1/v."""
    load = Part("L1", "load", {"P": "A", "N": "GND"}, {"watts": 1.0, "least": 0.5})
    points = Circuit([V("V1", "IN", 5.0), R("R1", "IN", "A", 5.0), load]).compile().solve([Variant()]).require()
    assert points.net("A")[0] == pytest.approx((5 + 5**0.5) / 2, rel=1e-6)


# --- ideal sources ----------------------------------------------------------------------------------------------------
def chain(sources: int) -> list[Part]:
    """Ideal sources on top of one another, and some between other nets, in a mesh of resistors; two diodes."""
    draw = np.random.default_rng(7)
    nets = [f"n{k}" for k in range(2 * sources)]
    parts = [V("V0", "n0", 3.0)]
    parts += [
        Part(f"V{k}", "v_source", {"P": nets[k], "N": nets[k - 1]}, {"volts": float(draw.uniform(-1, 1))})
        for k in range(1, sources)
    ]
    ohms = draw.uniform(100, 1e4, len(nets)).tolist()
    parts += [R(f"R{k}", net, nets[(k * 7 + 3) % len(nets)], ohms[k]) for k, net in enumerate(nets)]
    parts += [R(f"S{k}", net, "GND", 1e4) for k, net in enumerate(nets)]
    return [*parts, D("D1", nets[-1], "GND"), D("D2", nets[sources], nets[1])]


@pytest.mark.ngspice
@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed (Debian: ngspice)")
def test_sources_on_sources_against_ngspice(tmp_path) -> None:  # type: ignore[no-untyped-def]
    from wakeboard.instruments.virtual.circuit.spice.write import write_netlist

    parts = chain(12)
    circuit = Circuit(parts)
    points = circuit.compile().solve([Variant()]).require()
    nets = [net for net in circuit.nets if net != "GND"]
    found = ngspice_run.operating_point(write_netlist(circuit, Variant(), "chain"), nets, tmp_path)
    assert {net: points.net(net)[0] for net in nets} == pytest.approx(found, rel=1e-6, abs=1e-6)


def test_sources_that_faults_take_off_or_move() -> None:
    """A missing one leaves its node free; a moved one needs another order of elimination."""
    model = Circuit(chain(6)).compile()
    faults = [(), (parse_fault("V3:missing"),), (parse_fault("V3.P:net=n9"),), (parse_fault("V5.N:open"),)]
    points = model.solve([Variant(fault) for fault in faults]).require()
    for member in range(4):
        assert points.residual[member] < 1e-9
    assert points.current("V3", "P")[1] == pytest.approx(0.0, abs=1e-12)
    volts = float(model.circuit.part("V3").values["volts"])
    assert points.net("n9")[2] - points.net("n2")[2] == pytest.approx(volts, abs=1e-9)
    assert points.net("n3")[0] - points.net("n2")[0] == pytest.approx(volts, abs=1e-9)


def test_the_matrix_with_sources_agrees_with_lapack() -> None:
    model = Circuit(chain(8)).compile()
    points = model.solve([Variant()]).require()
    system, _ = model.system(points.plans)
    e, jacobian = linearised(system, np.ascontiguousarray(points._x.T))
    from wakeboard.instruments.virtual.circuit.compiled import elimination

    wiring = system.groups[0][0]
    held = np.full(model.layout.nodes, 1e-12)
    value, right = np.empty(wiring.plan.slots), np.random.default_rng(1).normal(size=model.layout.size)
    want = np.linalg.solve(jacobian[0], right[1:])
    plain = {name: getattr(getattr(elimination, name), "py_func", None) for name in ("fill", "factor", "substitute")}
    plain["fill"](wiring.plan, model.layout.compiled, e.partials[0], held, system.siemens[0], value)
    plain["factor"](wiring.plan, value)
    plain["substitute"](wiring.plan, value, right)
    assert right[1:] == pytest.approx(want, rel=1e-9, abs=1e-12)
    assert wiring.plan.slots < 0.5 * model.layout.size**2  # sparse
