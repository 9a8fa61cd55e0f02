"""What parts do that the table of spreads has not: tails, diodes that are not there, currents beside what is drawn.

Sources: the algebra of normal distributions (a mixture's component is chosen by its likelihood), Ohm's and Kirchhoff's
laws by hand. Boards are invented.
"""

from __future__ import annotations

import math
from functools import partial
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from wakeboard.harness.describe.board import spreads
from wakeboard.harness.explain.evidence.wild import Wild, Wilds, picked
from wakeboard.harness.explain.unit import units
from wakeboard.instruments.virtual.circuit import Circuit, Part
from wakeboard.instruments.virtual.circuit.bench.change import Change, Scene
from wakeboard.instruments.virtual.circuit.bench.shapes import LAWS, LEAKS_FROM, Shape
from wakeboard.instruments.virtual.circuit.bench.slopes import Slopes
from wakeboard.instruments.virtual.circuit.bench.stand import Stand
from wakeboard.instruments.virtual.circuit.bench.unknowns import Stray


def wilds_of(count: int, times: float, odds: float) -> Wilds:
    return Wilds(Wild(np.array([k]), times, odds) for k in range(count))


def test_one_type_is_wide_where_a_reading_asks_for_it() -> None:
    """Two unknowns, each moving a reading of its own by 1 with noise 0.1; the second lies 8 off, the first 0.5."""
    rows, noise = np.eye(2), np.eye(2) * 0.01
    covariance = rows.T @ rows + noise
    picks, wider, odds = picked(
        wilds_of(2, 4.0, -3.0), np.zeros((2, 2)), np.ones(2), rows, covariance, np.array([0.5, 8.0])
    )
    assert picks == (1,)
    assert odds == -3.0
    assert wider == pytest.approx(np.diag([1.01, 16.01]))


def test_what_is_wide_already_stays_so_and_others_are_picked_beside_it() -> None:
    """Two move the same reading, of which the first is the likelier one to be wide; a third moves another."""
    rows, covariance = np.array([[1.0, 0.0], [1.0, 0.0], [0.0, 1.0]]), np.diag([2.01, 1.01])
    wild = Wilds(Wild(np.array([k]), 4.0, odds) for k, odds in enumerate((-3.0, -4.0, -3.0)))
    asked = partial(picked, wild, np.zeros((3, 3)), np.ones(3), rows, covariance, np.array([12.0, 8.0]))
    assert asked()[0] == (0, 2)
    picks, wider, odds = asked(first=[1])
    assert picks == (1, 2)
    assert odds == -7.0
    assert wider == pytest.approx(np.diag([17.01, 16.01]))


def test_what_is_wide_already_and_for_which_nothing_speaks_is_so_no_more() -> None:
    rows, covariance = np.eye(2), np.eye(2) * 1.01
    picks, wider, odds = picked(
        wilds_of(2, 4.0, -3.0), np.zeros((2, 2)), np.ones(2), rows, covariance, np.array([0.5, 8.0]), [0, 1]
    )
    assert (picks, odds) == ((1,), -3.0)
    assert wider == pytest.approx(np.diag([1.01, 16.01]))


def test_nothing_is_wide_that_costs_more_than_it_gains() -> None:
    """2.5 deviations off: wider by four gains 0.5 (2.5² (1 - 1/16) - ln 16) = 1.5 at most, by hand; it costs 3."""
    rows = np.eye(1)
    picks, same, odds = picked(
        wilds_of(1, 4.0, -3.0), np.zeros((1, 1)), np.ones(1), rows, np.eye(1) * 1.0001, np.array([2.5])
    )
    assert (picks, odds) == ((), 0.0)
    assert same == pytest.approx(np.eye(1) * 1.0001)


def test_a_type_is_wide_in_one_way_only() -> None:
    both = Wilds([*wilds_of(1, 4.0, -1.0), *wilds_of(1, 12.0, -2.0)])
    picks, _, _ = picked(both, np.zeros((1, 1)), np.ones(1), np.eye(1), np.eye(1) * 1.01, np.array([30.0]))
    assert picks == (1,)


def test_types_are_picked_as_the_densities_themselves_have_it() -> None:
    """Against scipy's multivariate normal: at each step the type that gains most in density and odds together, its
    covariance as sums of the unknowns' own have it; types of several unknowns, which share a part of their variance."""
    random = np.random.default_rng(7)
    for _ in range(12):
        n, types = 9, [np.arange(k, k + 3) for k in range(0, 18, 3)]
        each = Wilds(Wild(m, times, odds) for m in types for times, odds in ((3.0, -2.0), (10.0, -5.0)))
        of_type = np.kron(np.eye(6), np.full((3, 3), 0.4))
        rows = random.normal(size=(18, n)) * 10 ** random.uniform(-1.5, 0.5, size=(18, 1))
        covariance = rows.T @ (of_type + 0.6 * np.eye(18)) @ rows + 0.01 * np.eye(n)
        off = random.normal(size=n) * 10 ** random.uniform(0, 2)
        picks, whole, odds = picked(each, of_type, np.full(18, 0.6), rows, covariance, off)
        assert whole == pytest.approx(_greedy(each, of_type, rows, covariance, off, picks), rel=1e-9)
        assert odds == pytest.approx(sum(each[k].log_odds for k in picks))


def _greedy(
    wilds: Wilds, of_type: np.ndarray, rows: np.ndarray, covariance: np.ndarray, off: np.ndarray, picks: tuple[int, ...]
) -> np.ndarray:  # fmt: skip
    """The covariance with types picked one by one; the direction of a type is that of its members together."""
    taken: list[int] = []
    sd = np.sqrt(np.diag(of_type) + 0.6)
    while True:
        gains = []
        for w in wilds:
            along = (sd[w.members, None] * rows[w.members]).sum(axis=0)
            tried = multivariate_normal.logpdf(off, cov=covariance + w.extra * np.outer(along, along))
            gains.append(w.log_odds + tried - multivariate_normal.logpdf(off, cov=covariance))
            if any(wilds[k].members[0] == w.members[0] for k in taken):
                gains[-1] = -math.inf
        best = int(np.argmax(gains))
        if gains[best] <= 0:
            break
        taken.append(best)
        m = wilds[best].members
        block = of_type[np.ix_(m, m)] + 0.6 * np.eye(len(m))
        covariance = covariance + wilds[best].extra * rows[m].T @ block @ rows[m]
    assert tuple(sorted(taken)) == picks
    return covariance


def test_how_wide_one_type_may_be_does_not_depend_on_how_rough_the_board_is() -> None:
    wild = Wild(np.array([0]), 4.0, -2.0)
    for scale in (0.03, 0.4, 2.5):
        assert wild.beside(scale).times * scale == pytest.approx(4.0)
        assert wild.beside(scale, 2).times * scale**2 == pytest.approx(max(4.0, scale**2))
    assert wild.beside(9.0).extra == 0.0
    # and it is the rarer, the closer the rest of the board is to the drawing
    assert wild.beside(0.1).log_odds == pytest.approx(-2.0 + math.log(0.1))
    assert wild.beside(2.5).log_odds == -2.0


DIVIDER = Circuit(
    [
        Part("R1", "resistor", {"1": "VIN", "2": "MID"}, {"value": 1e6}),
        Part("R2", "resistor", {"1": "MID", "2": "GND"}, {"value": 1e6}),
    ],
    ground="GND",
)


def middle(amounts: float, volts: float = 4.0, shape: Shape = "leak") -> float:
    """V at the divider's middle with a leak of so many times 1 µA to ground there."""
    return at_middle(DIVIDER, [Stray("MID", "GND", shape, 1e-6)], [amounts], volts)


def at_middle(circuit: Circuit, strays: list[Stray], amounts: list[float], volts: float) -> float:
    stand = Stand(circuit, {"IN": "VIN"})
    from wakeboard.harness.describe.state import BenchState
    from wakeboard.instruments.virtual.circuit.bench.state import state_values

    scene = Scene(dict(state_values(BenchState({"IN": (volts, 0.1)}))))
    ((answer,),) = stand.answers([scene], [Change()])
    from wakeboard.instruments.virtual.circuit.solver.points import Points

    points = Points.gathered([(answer[0].points, answer[1])])
    slopes = Slopes(stand.model, points, strays, np.array([amounts]))
    assert slopes.flows.all()
    return float(slopes.volts("MID", [0])[0])


def test_a_leak_flows_in_full_from_its_knee_on() -> None:
    """By hand: a source of 2 V behind 500 kΩ, 1 µA out of it: 2 V - 0.5 V."""
    assert middle(0.0) == pytest.approx(2.0, abs=1e-4)
    assert middle(1.0) == pytest.approx(1.5, abs=1e-4)
    assert middle(-1.0) == pytest.approx(2.5, abs=1e-4)


def test_a_net_is_lifted_past_a_fold() -> None:
    """From 0.4 V on a rail behind the table's draws less by up to 30 µA: below 1 V nothing balances once 4.5 µA more
    leak in, and full steps go to and fro there for ever. By hand, at the end: (4 V - u) / 10 MΩ + 34.5 µA = u / 100 kΩ.
    """
    high = Part("R1", "resistor", {"1": "VIN", "2": "MID"}, {"value": 10e6})
    low = Part("R2", "resistor", {"1": "MID", "2": "GND"}, {"value": 100e3})
    strays = [Stray("VIN", "MID", "leak", 4.5e-6), Stray("MID", "GND", "onset", 30e-6)]
    found = at_middle(Circuit([high, low], ground="GND"), strays, [1.0, -1.0], 4.0)
    assert found == pytest.approx((0.4e-6 + 34.5e-6) / (1e-5 + 1e-7), abs=1e-4)


def test_below_its_knee_a_leak_is_a_resistance() -> None:
    """By hand: 0.2 V behind 500 kΩ into 0.3 V / 2 µA = 150 kΩ."""
    assert middle(2.0, volts=0.4) == pytest.approx(0.2 * 150 / 650, abs=1e-4)
    assert LEAKS_FROM == 0.3


def test_a_reverse_leakage_goes_by_the_root_of_the_volts() -> None:
    """By hand: u at the middle of a divider from u0 behind 500 kΩ, 1 µA · sqrt(u / 5 V) out of it: 1 µA at 5 V."""
    for u in (5.0, 1.25, 0.45):
        amps = 1e-6 * math.sqrt(u / 5.0)
        assert middle(1.0, 2 * (u + 500e3 * amps), "reverse") == pytest.approx(u, abs=1e-4)


def test_a_reverse_leakage_at_a_boards_volts_is_a_third_of_the_data_sheets() -> None:
    """SS14M, typically 5 µA at 40 V; that low volts have about a third is common practice (spreads.md, 3)."""
    at = LAWS["reverse"](np.array([5.0, 40.0]))[0]
    assert at[0] / at[1] == pytest.approx(1 / 3, rel=0.1)


@pytest.mark.parametrize("shape", LAWS)
def test_each_law_has_the_slope_that_it_says(shape: Shape) -> None:
    volts = np.array([-3.0, -0.12, -0.05, 0.03, 0.13, 0.55, 0.87, 2.0, 7.0])
    (above, _), (below, _), (_, slope) = (LAWS[shape](volts + by) for by in (1e-5, -1e-5, 0.0))
    assert (above - below) / 2e-5 == pytest.approx(slope, rel=1e-3, abs=1e-6)


CHIP = Part(
    "U1", "chip", {"VDD": "V", "GND": "GND", "A": "a", "B": "b", "C": "V"},
    {"io": {"A": {"type": "input"}, "B": {"type": "input", "clamp": False}, "C": {"type": "input"}},
     "supply": {"VDD": {"draws": 1e-3}}},
)  # fmt: skip


def test_a_diode_may_be_missing_where_one_is_drawn() -> None:
    """B states that it has none, and C sits on its rail."""
    found = spreads.lacking(Circuit([CHIP, *DIVIDER.parts], ground="GND"))
    assert [each.path for each in found] == ["U1.A.to_rail"]
    assert 0 < found[0].chance < 0.5
    assert spreads.lacking(Circuit([CHIP], ground="GND"), reworked=["U1"]) == []


def test_without_its_diode_a_pin_rises_above_its_rail() -> None:
    """5 V through 10 kΩ at a pin of a chip without power: held by one drop above ground with the diode and a rail that
    is shorted, free without it."""
    rail = Part("RS", "resistor", {"1": "V", "2": "GND"}, {"value": 1.0})
    feed = Part("RF", "resistor", {"1": "VIN", "2": "a"}, {"value": 10e3})
    other = Part("RB", "resistor", {"1": "b", "2": "GND"}, {"value": 1e6})
    stand = Stand(Circuit([CHIP, rail, feed, other], ground="GND"), {"IN": "VIN"})
    from wakeboard.harness.describe.state import BenchState
    from wakeboard.instruments.virtual.circuit.bench.state import state_values

    scene = Scene(dict(state_values(BenchState({"IN": (5.0, 0.1)}))))
    ((drawn, lacking),) = stand.answers([scene], [Change(), Change(values={"U1.A.to_rail": 0.0})])
    held, free = (float(batch.net("a")[k]) for batch, k in (drawn, lacking))
    drop = 0.02585 * math.log(0.43e-3 / 1e-14)  # Shockley's equation at 27 °C, for the current through 10 kΩ
    assert held == pytest.approx(drop + 8 * 0.43e-3, abs=0.02)
    assert free == pytest.approx(5.0, abs=0.1)


class Teacher:
    """A unit as far as `failed_alone` looks."""

    def __init__(self, read: set[str], failed: set[str] = frozenset()) -> None:
        self.off = dict.fromkeys(((each,) for each in read), 0.0)
        self.failed = {(each,) for each in failed}


def test_what_failed_in_one_unit_alone_teaches_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """A rail outside its limits in one of four is that unit's; in three of four it is the type's, or the design's."""
    monkeypatch.setattr(units, "told", lambda observation: (observation,))
    case = SimpleNamespace(observations=["rail", "line", "other"])
    group = [
        Teacher({"rail", "line"}, {"rail", "line"}), Teacher({"rail", "line"}, {"line"}),
        Teacher({"rail", "line"}, {"line"}), Teacher({"rail", "line"}),
    ]  # fmt: skip
    alone = units.failed_alone(case, group)  # type: ignore[arg-type]
    assert alone.tolist() == [[True, False, False], [False] * 3, [False] * 3, [False] * 3]
