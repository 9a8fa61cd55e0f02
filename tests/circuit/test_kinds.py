"""Each part kind does what its page says, at the voltages and currents a bench would see."""

from __future__ import annotations

import pytest
from circuit_build import C, R, V, solved, supply

from wakeboard.instruments.virtual.circuit import Circuit, CircuitError, Part, Simulation, Variant
from wakeboard.instruments.virtual.circuit.parts import kinds

LDO = {"IN": "in", "OUT": "out", "GND": "GND"}


def ldo(**values: object) -> Part:
    return Part("U", "ldo", LDO, {"volts": 3.3, "limit": 0.5, "dropout": 0.2, "quiescent": 50e-6, **values})


def test_every_kind_is_documented() -> None:
    for kind in kinds().values():
        assert kind.says, kind.name
        for name, quantity in kind.values.items():
            assert quantity.says, f"{kind.name}.{name}"
        assert kind.main is None or kind.main in kind.values


def test_bench_supply_constant_voltage_and_current() -> None:
    # Ohm's law; a bench supply goes from constant voltage to constant current at its limit: common practice, no
    # source
    cv = solved(supply("P", "a", 5.0, 0.1), R("R", "a", "GND", 100.0))
    assert cv.net("a")[0] == pytest.approx(5.0, rel=2e-4)
    cc = solved(supply("P", "a", 5.0, 0.1), R("R", "a", "GND", 10.0))
    assert cc.net("a")[0] == pytest.approx(1.0, rel=1e-4)
    assert -cc.current("P", "P")[0] == pytest.approx(0.1, rel=1e-4)


def test_bench_supply_never_sinks() -> None:
    # a bench supply of one quadrant takes no current: common practice, no source
    p = solved(supply("P", "a", 3.0, 0.1), V("B", "b", 5.0), R("R", "b", "a", 1e3))
    assert p.net("a")[0] == pytest.approx(5.0, rel=2e-3)
    assert p.current("P", "P")[0] < 6e-6  # the resistance across its terminals, no more
    off = solved(supply("P", "a", 3.0, 0.1, on=False), R("R", "a", "GND", 1e3))
    assert abs(off.net("a")[0]) < 1e-9


def test_ldo_regulates_drops_out_limits() -> None:
    # Ohm's and Kirchhoff's laws; the dropout goes with the load's current and the limit holds: common practice, no
    # source
    load = R("R", "out", "GND", 33.0)
    regulated = solved(V("B", "in", 5.0), ldo(), load)
    assert regulated.net("out")[0] == pytest.approx(3.3, abs=3e-3)
    assert -regulated.current("B", "P")[0] == pytest.approx(0.1 + 50e-6, rel=1e-2)
    dropout = solved(V("B", "in", 3.2), ldo(), load)
    assert 3.2 - dropout.net("out")[0] == pytest.approx(0.2 * dropout.current("R", "1")[0] / 0.5, rel=1e-3)
    limited = solved(V("B", "in", 5.0), ldo(), R("R", "out", "GND", 1.0))
    assert limited.net("out")[0] == pytest.approx(0.5, rel=1e-3)
    assert limited.power("U")[0] == pytest.approx(4.5 * 0.5, rel=1e-2)


def test_ldo_enable_lockout_and_body_diode() -> None:
    # a pass element's body diode drops some 0.65 V: common practice, no source
    pins = {**LDO, "EN": "en"}
    part = Part("U", "ldo", pins, {"volts": 3.3, "enable_above": 1.0, "lockout": 2.2})
    load = R("R", "out", "GND", 1e3)
    assert solved(V("B", "in", 5.0), V("E", "en", 0.4), part, load).net("out")[0] < 0.1
    assert solved(V("B", "in", 5.0), V("E", "en", 1.4), part, load).net("out")[0] == pytest.approx(3.3, abs=1e-3)
    assert solved(V("B", "in", 2.0), V("E", "en", 2.0), part, load).net("out")[0] < 0.1
    back = solved(R("RI", "in", "GND", 100.0), V("E", "en", 0.0), part, V("O", "out", 3.3))
    assert back.net("in")[0] == pytest.approx(2.65, abs=0.1), "fed backwards through the pass element's body diode"


@pytest.mark.parametrize(("kind", "volts_in", "volts"), [("buck", 5.0, 1.8), ("boost", 3.0, 5.0)])
def test_switchers_conserve_power(kind: str, volts_in: float, volts: float) -> None:
    # conservation of energy: what comes out is the efficiency times what goes in
    part = Part("U", kind, LDO, {"volts": volts, "efficiency": 0.9, "quiescent": 0.0})
    p = solved(V("B", "in", volts_in), part, R("R", "out", "GND", 20.0))
    assert p.net("out")[0] == pytest.approx(volts, rel=3e-3)
    assert -p.power("B")[0] * 0.9 == pytest.approx(p.power("R")[0], rel=1e-3)
    assert p.power("U")[0] == pytest.approx(p.power("R")[0] * (1 / 0.9 - 1), rel=1e-2)


def test_buck_in_dropout_follows_its_input() -> None:
    # at full duty a buck passes its input less the dropout: common practice, no source
    part = Part("U", "buck", LDO, {"volts": 3.3, "dropout": 0.1})
    p = solved(V("B", "in", 3.0), part, R("R", "out", "GND", 100.0))
    assert p.net("out")[0] == pytest.approx(2.9, abs=0.01)


def test_boost_passes_its_input_when_off() -> None:
    # the rectifier of a boost that is off conducts, less a diode's drop: common practice, no source
    pins = {**LDO, "EN": "en"}
    part = Part("U", "boost", pins, {"volts": 5.0})
    p = solved(V("B", "in", 3.7), V("E", "en", 0.0), part, R("R", "out", "GND", 1e3))
    assert 2.9 < p.net("out")[0] < 3.4


def test_charger_constant_current_then_voltage_and_no_way_back() -> None:
    # Li-ion is charged by constant current to 4.2 V, then by constant voltage: common practice, no source
    pins = {"IN": "in", "BAT": "bat", "EN": "en", "GND": "GND"}
    charger = Part("U", "charger", pins, {"volts": 4.2, "current": 0.1, "leak": 1e-6, "enable_above": 1.2})
    cell = Part("B", "battery", {"P": "bat", "N": "GND"}, {"volts": 3.7, "ohms": 0.1})
    on, full = V("E", "en", 3.3), Part("B", "battery", {"P": "bat", "N": "GND"}, {"volts": 4.199, "ohms": 0.1})
    assert solved(V("S", "in", 5.0), on, charger, cell).current("B", "P")[0] == pytest.approx(0.1, rel=1e-3)
    assert 0 < solved(V("S", "in", 5.0), on, charger, full).current("B", "P")[0] < 0.01
    idle = solved(V("S", "in", 5.0), V("E", "en", 0.0), charger, cell)
    assert idle.current("B", "P")[0] == pytest.approx(-1e-6, rel=1e-3)
    unplugged = solved(R("R", "in", "GND", 1e3), on, charger, cell)
    assert unplugged.net("in")[0] < 0.01


def test_load_switch() -> None:
    # Ohm's law; the body diode of a switch without reverse blocking drops some 0.6 V: common practice, no source
    pins = {"IN": "in", "OUT": "out", "EN": "en", "GND": "GND"}
    part = Part("U", "load_switch", pins, {"ohms": 0.08, "enable_above": 1.2})
    load = R("R", "out", "GND", 33.0)
    on = solved(V("B", "in", 3.3), V("E", "en", 3.3), part, load)
    assert 3.3 - on.net("out")[0] == pytest.approx(0.08 * on.current("R", "1")[0], rel=1e-3)
    assert solved(V("B", "in", 3.3), V("E", "en", 0.0), part, load).net("out")[0] < 1e-3
    back = solved(R("RI", "in", "GND", 1e3), V("E", "en", 0.0), part, V("O", "out", 3.3)).net("in")[0]
    assert 2.5 < back < 2.9
    blocks = Part("U", "load_switch", pins, {"blocks_reverse": True})
    assert solved(R("RI", "in", "GND", 1e3), V("E", "en", 0.0), blocks, V("O", "out", 3.3)).net("in")[0] < 1e-2


def test_ideal_diode_conducts_one_way() -> None:
    # Ohm's law: 0.1 A through 50 mΩ
    part = Part("D", "ideal_diode", {"A": "a", "K": "k"}, {"ohms": 0.05})
    assert solved(V("B", "a", 5.0), part, R("R", "k", "GND", 50.0)).net("k")[0] == pytest.approx(4.995, abs=1e-3)
    assert abs(solved(V("B", "k", 5.0), part, R("R", "a", "GND", 50.0)).net("a")[0]) < 1e-3


@pytest.mark.parametrize(("volts", "low"), [(2.5, True), (2.85, True), (3.0, False), (3.3, False)])
def test_supervisor(volts: float, low: bool) -> None:
    # invented part; an open-drain output is low below the threshold: common practice, no source
    part = Part("U", "supervisor", {"VDD": "v", "OUT": "r", "GND": "GND"}, {"threshold": 2.93})
    p = solved(V("B", "v", volts), part, R("R", "v", "r", 10e3))
    assert bool(p.net("r")[0] < 0.1) is low


def test_loads() -> None:
    # closed forms: constant current; v·(5 V - v) = 1 W·1 Ω
    amps = Part("L", "load", {"P": "a", "N": "GND"}, {"amps": 0.1, "least": 1.0})
    assert solved(V("B", "a", 3.3), amps).current("L", "P")[0] == pytest.approx(0.1)
    assert solved(V("B", "a", 0.5), amps).current("L", "P")[0] == pytest.approx(0.05)
    watts = Part("L", "load", {"P": "a", "N": "GND"}, {"watts": 1.0, "least": 2.0})
    p = solved(V("B", "b", 5.0), R("R", "b", "a", 1.0), watts)
    assert p.power("L")[0] == pytest.approx(1.0, rel=1e-6)
    # closed form: v = (5 + sqrt(25 - 4))/2
    assert p.net("a")[0] == pytest.approx((5 + 21**0.5) / 2, rel=1e-6)
    assert solved(V("B", "a", 1.0), watts).current("L", "P")[0] == pytest.approx(0.25)


def chip(**pin: object) -> list[Part]:
    values = {"supply": {"VDD": {"draws": 8e-3, "above": 1.8, "standby": 1e-6}}, "io": {"P": pin}}
    return [V("B", "v", 3.3), Part("U", "chip", {"VDD": "v", "GND": "GND", "P": "n"}, values)]


def test_chip_pin_drives_and_pulls() -> None:
    # closed form: the divider of a driver's or a pull's resistance and the load
    load = R("R", "n", "GND", 1e3)
    up = solved(*chip(type="io", ohms=40.0), load, U__P__drive="high")
    assert up.net("n")[0] == pytest.approx(3.3 * 1000 / 1040, rel=1e-4)
    assert abs(solved(*chip(type="io"), load).net("n")[0]) < 1e-6
    pull = solved(*chip(type="io", pull_ohms=40e3), R("R", "n", "GND", 10e3), U__P__drive="up").net("n")[0]
    assert pull == pytest.approx(3.3 * 10 / 50, rel=1e-4)
    down = solved(*chip(type="io"), R("R", "v", "n", 10e3), U__P__drive="low").net("n")[0]
    assert down == pytest.approx(3.3 * 40 / 10040, rel=1e-3)
    drain = solved(*chip(type="open_drain"), R("R", "v", "n", 10e3), U__P__drive="high").net("n")[0]
    assert drain == pytest.approx(3.3, rel=1e-3)


def test_chip_supply_current() -> None:
    # invented part: its own figures come back
    assert -solved(*chip(type="io")).current("B", "P")[0] == pytest.approx(8e-3, rel=1e-3)
    assert -solved(*chip(type="io"), U__asleep=True).current("B", "P")[0] == pytest.approx(1e-6, rel=0.02)
    assert -solved(*chip(type="io"), B__volts=1.2).current("B", "P")[0] < 1e-8


def test_chip_clamps_feed_a_switched_off_rail() -> None:
    """A 3.3 V line through 4.7 kΩ lifts the dead chip's rail to a diode below the line: phantom power."""
    # a silicon clamp drops some 0.6 V at a few hundred µA: common practice, no source
    values = {"supply": {"VDD": {"draws": 0.0}}, "io": {"P": {"type": "input"}}}
    part = Part("U", "chip", {"VDD": "rail", "GND": "GND", "P": "n"}, values)
    p = solved(V("B", "v", 3.3), R("R", "v", "n", 4.7e3), R("RL", "rail", "GND", 10e3), part)
    assert 0.4 < p.net("n")[0] - p.net("rail")[0] < 0.75
    assert 1.5 < p.net("rail")[0] < 2.2


def test_an_input_cannot_drive() -> None:
    model = Circuit([*chip(type="input"), R("R", "n", "GND", 1e3)]).compile()
    points = model.solve([Variant(values={"U.P.drive": "high"}), Variant()])
    assert "cannot drive" in points.status[0]
    assert points.status[1] == "ok"
    with pytest.raises(CircuitError, match="cannot drive"):
        Simulation(model).change({"U.P.drive": "high"})


def test_battery_takes_charge_and_gives_it() -> None:
    # Ohm's law: 3.7 V over 3.7 Ω; 0.5 V over 0.5 Ω
    cell = Part("B", "battery", {"P": "b", "N": "GND"}, {"volts": 3.7, "ohms": 0.1})
    assert solved(cell, R("R", "b", "GND", 3.6)).current("R", "1")[0] == pytest.approx(1.0, rel=1e-6)
    assert solved(cell, V("S", "s", 4.2), R("R", "s", "b", 0.4)).current("B", "P")[0] == pytest.approx(1.0, rel=1e-6)


def test_switches_and_fuses_conduct() -> None:
    # Ohm's law
    closed = Part("S", "switch", {"1": "a", "2": "b"}, {"on": True})
    assert solved(V("B", "a", 1.0), closed, R("R", "b", "GND", 1e3)).net("b")[0] == pytest.approx(1.0, rel=1e-4)
    assert abs(solved(V("B", "a", 1.0), closed, R("R", "b", "GND", 1e3), S__on=False).net("b")[0]) < 1e-6
    fuse = Part("F", "fuse", {"1": "a", "2": "b"}, {})
    assert solved(V("B", "a", 1.0), fuse, R("R", "b", "GND", 1e3)).net("b")[0] == pytest.approx(1.0, rel=1e-4)
    bleed = Part("X", "bleed", {"1": "a", "2": "GND"}, {"ohms": 10.0, "on": False})
    assert abs(solved(V("B", "a", 1.0), bleed).current("X", "1")[0]) < 1e-9
    assert solved(V("B", "a", 1.0), bleed, X__on=True).current("X", "1")[0] == pytest.approx(0.1)


def test_a_meter_on_a_capacitor_reads_its_charge() -> None:
    # closed form: exp(-t/RC) of a capacitor through a resistor
    from circuit_build import meter

    simulation = Simulation(
        Circuit([supply("P", "a", 5.0, 1.0, off_ohms=1e9), C("C", "a", "GND", 1e-6), meter("a")]).compile()
    )
    simulation.settle(1.0)
    simulation.change({"P.on": False})
    simulation.advance(10.0)  # one time constant of 10 MΩ and 1 µF, and the supply's 1 GΩ
    assert simulation.volts("a") == pytest.approx(5.0 * 2.718281828 ** (-1.01), rel=2e-3)
