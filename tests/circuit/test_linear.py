"""Linear networks against closed forms, textbooks and an independent solution.

The solver leaks 1 pS (GMIN) from every net to ground: 1e-7 is what that leaves of agreement at some 10 kΩ.
"""

from __future__ import annotations

import numpy as np
import pytest
from circuit_build import R, V, meter, solved

from wakeboard.instruments.virtual.circuit import Circuit, Part, Variant


def test_series_divider() -> None:
    # Kuphaldt, Lessons In Electric Circuits vol. I: 45 V over 5k, 10k, 7.5k -> 2 mA; 10, 20, 15 V (from memory, exact)
    p = solved(V("B", "a", 45.0), R("R1", "a", "b", 5e3), R("R2", "b", "c", 10e3), R("R3", "c", "GND", 7.5e3))
    assert p.current("R1", "1")[0] == pytest.approx(2e-3, rel=1e-7)
    assert p.net("b")[0] == pytest.approx(35.0, rel=1e-7)
    assert p.net("c")[0] == pytest.approx(15.0, rel=1e-7)


def test_two_batteries_and_a_load() -> None:
    # Kuphaldt, ch. 10: 28 V behind 4 Ω, 7 V behind 1 Ω, 2 Ω load -> 8 V, 4 A; without it 11.2 V behind 0.8 Ω
    parts = [V("B1", "a", 28.0), R("R1", "a", "n", 4.0), V("B2", "b", 7.0), R("R3", "b", "n", 1.0)]
    loaded = solved(*parts, R("R2", "n", "GND", 2.0))
    assert loaded.net("n")[0] == pytest.approx(8.0, rel=1e-7)
    assert loaded.current("R2", "1")[0] == pytest.approx(4.0, rel=1e-7)
    open_volts = solved(*parts).net("n")[0]
    assert open_volts == pytest.approx(11.2, rel=1e-7)
    short = solved(*parts, R("short", "n", "GND", 1e-3)).current("short", "1")[0]
    assert open_volts / short - 1e-3 == pytest.approx(0.8, rel=1e-6)


def test_thevenin_drill() -> None:
    # J. Irvine, tutorial 8: 12 V, 1+5+4 Ω, tap over 4 Ω -> 4.8 V, 2.4 Ω; 0.8 Ω load -> 1.5 A
    chain = [V("B", "a", 12.0), R("R1", "a", "b", 1.0), R("R2", "b", "t", 5.0), R("R3", "t", "GND", 4.0)]
    assert solved(*chain).net("t")[0] == pytest.approx(4.8, rel=1e-7)
    assert solved(*chain, R("RL", "t", "GND", 0.8)).current("RL", "1")[0] == pytest.approx(1.5, rel=1e-7)


def test_bridge() -> None:
    # closed form: a balanced Wheatstone bridge reads zero; unbalanced V·(R2/(R1+R2) - R4/(R3+R4))
    def bridge(r4: float) -> float:
        p = solved(
            V("B", "a", 10.0), R("R1", "a", "x", 1e3), R("R2", "x", "GND", 2e3), R("R3", "a", "y", 10e3),
            R("R4", "y", "GND", r4), R("RG", "x", "y", 1e9),
        )  # fmt: skip
        return float(p.net("x")[0] - p.net("y")[0])

    assert bridge(20e3) == pytest.approx(0.0, abs=1e-9)
    assert bridge(22e3) == pytest.approx(10 * (2 / 3 - 22 / 32), rel=1e-4)


def test_meter_loads_a_strap() -> None:
    # 48 kΩ up, 98 kΩ down at 3.3 V: 2.21507 V behind 32.2 kΩ; 10 MΩ read 2.20795 V (values of TI TUSB1004 straps)
    divider = [V("B", "v", 3.3), R("RU", "v", "n", 48e3), R("RD", "n", "GND", 98e3)]
    assert solved(*divider).net("n")[0] == pytest.approx(2.215068, abs=2e-6)
    assert solved(*divider, meter("n")).net("n")[0] == pytest.approx(2.207954645, abs=2e-6)
    both = solved(*divider, meter("n"), R("RT", "n", "GND", 10e3))
    assert both.net("n")[0] == pytest.approx(0.524259229, abs=2e-6)


def test_hidden_pull_up_on_a_weak_pull_down() -> None:
    # common practice, no source: at 3.3 V, 100 kΩ down and about 22 kΩ up read 2.7 V; 1 kΩ across brings it below 0.2 V
    line = [V("B", "v", 3.3), R("RU", "v", "n", 22e3), R("RD", "n", "GND", 100e3), meter("n")]
    assert solved(*line).net("n")[0] == pytest.approx(2.7, abs=0.01)
    assert solved(*line, R("RB", "n", "GND", 1e3)).net("n")[0] < 0.2


def test_erratum_pull_against_external_resistor() -> None:
    # RP2350 erratum E9 as users measured it: about 120 µA, parked near 2.2 V; · 8.2 kΩ = 0.984 V, · 4.7 kΩ = 0.564 V
    def volts(ohms: float) -> float:
        io = {"P": {"type": "io", "leak": 120e-6, "park": 2.2 + 0.0}}
        chip = Part("U1", "chip", {"VDD": "v", "GND": "GND", "P": "n"}, {"io": io, "supply": {"VDD": {"draws": 1e-3}}})
        return float(solved(V("B", "v", 3.3), chip, R("RD", "n", "GND", ohms)).net("n")[0])

    assert volts(8.2e3) == pytest.approx(0.984, abs=2e-3)
    assert volts(4.7e3) == pytest.approx(0.564, abs=2e-3)
    assert volts(1e6) == pytest.approx(2.2, abs=0.01)


def _random_network(seed: int, nodes: int) -> tuple[list[Part], np.ndarray, np.ndarray]:
    """Resistors and current sources between random nodes; the conductance matrix and the currents, made apart."""
    rng = np.random.default_rng(seed)
    names = ["GND", *(f"n{k}" for k in range(1, nodes))]
    g, j = np.zeros((nodes, nodes)), np.zeros(nodes)
    parts: list[Part] = []
    edges = [(k, int(rng.integers(0, k))) for k in range(1, nodes)]
    edges += [tuple(map(int, rng.choice(nodes, 2, replace=False))) for _ in range(2 * nodes)]
    for k, (a, b) in enumerate(edges):
        ohms = float(10 ** rng.uniform(0, 6))
        parts.append(R(f"R{k}", names[a], names[b], ohms))
        g[a, a] += 1 / ohms
        g[b, b] += 1 / ohms
        g[a, b] -= 1 / ohms
        g[b, a] -= 1 / ohms
    for k in range(4):
        a, b = map(int, rng.choice(nodes, 2, replace=False))
        amps = float(rng.uniform(-0.1, 0.1))
        parts.append(Part(f"I{k}", "i_source", {"P": names[a], "N": names[b]}, {"amps": amps}))
        j[a] += amps
        j[b] -= amps
    return parts, g, j


@pytest.mark.parametrize("seed", range(12))
def test_random_network_against_least_squares(seed: int) -> None:
    # independent solution: numpy's lstsq of the node equations with ground's row left out
    parts, g, j = _random_network(seed, 14)
    p = solved(*parts)
    want = np.linalg.lstsq(g[1:, 1:], j[1:], rcond=None)[0]
    got = np.array([p.net(f"n{k}")[0] for k in range(1, 14)])
    np.testing.assert_allclose(got, want, rtol=1e-7, atol=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_tellegen_and_kirchhoff(seed: int) -> None:
    # Tellegen's theorem: the powers of all parts add up to zero; Kirchhoff: so do the currents at each net
    parts, _, _ = _random_network(seed, 10)
    p = solved(*parts)
    powers = np.array([p.power(part.name)[0] for part in parts])
    assert abs(powers.sum()) < 1e-9 * np.abs(powers).sum()
    circuit = Circuit(parts)
    for net in circuit.nets:
        through = [p.current(*text.split("."))[0] for text in circuit.on_net(net)]
        assert abs(sum(through)) < 1e-9 * max(map(abs, through)) + 1e-10  # GMIN's share is below


def test_a_wrong_stamp_is_noticed() -> None:
    """The comparison above is able to fail: one resistor off by 0.1 % is seen."""
    # independent solution: numpy's lstsq of the node equations
    parts, g, j = _random_network(3, 14)
    p = Circuit(parts).compile().solve([Variant(values={"R0.value": parts[0].values["value"] * 1.001})])
    want = np.linalg.lstsq(g[1:, 1:], j[1:], rcond=None)[0]
    got = np.array([p.net(f"n{k}")[0] for k in range(1, 14)])
    assert np.abs(got - want).max() > 1e-6 * np.abs(want).max()


def test_reciprocity() -> None:
    # reciprocity theorem: 1 A into a gives at b what 1 A into b gives at a
    parts = [p for p in _random_network(5, 9)[0] if p.kind == "resistor"]
    one = Part("I", "i_source", {"P": "n3", "N": "GND"}, {"amps": 1.0})
    other = Part("I", "i_source", {"P": "n7", "N": "GND"}, {"amps": 1.0})
    assert solved(*parts, one).net("n7")[0] == pytest.approx(solved(*parts, other).net("n3")[0], rel=1e-9)


def test_order_of_parts_does_not_matter() -> None:
    # the same circuit has the same solution (uniqueness of a linear resistive network)
    parts, _, _ = _random_network(7, 12)
    forth, back = solved(*parts), solved(*reversed(parts))
    for k in range(1, 12):
        assert forth.net(f"n{k}")[0] == pytest.approx(back.net(f"n{k}")[0], rel=1e-9)
