"""The solver against ngspice: operating points and transients, live where it is installed, and as committed tables.

Operating points agree within 1e-6 relative and 1 µV, in every net of every case. Equations are the same but for:
- ngspice's diode follows a cubic below -3·n·Vt, ours the exponential: its current comes from -0.95 saturation currents
  to -1 more slowly, which a diode backwards across megohms would show.
- ngspice's breakdown keeps the forward exponential of its own saturation current; ours is a second junction.
- the body diode of a transistor here has 20 mΩ in series: netlists with a conducting one write it as a diode.
- a net that nothing holds sits at what 1 pS to ground makes of it here; netlists that the writer makes say so.
Transients: the simulation's tolerance is set to 1e-6, ngspice's largest step to 1/500 of what is watched or finer; both
are second-order, and what is left is stated with each case (1e-4 to 5e-4 of the largest voltage).
"""

from __future__ import annotations

from pathlib import Path

import ngspice_cases as cases
import ngspice_run
import ngspice_tables
import pytest
from ngspice_transients import TRANSIENTS, Transient

from wakeboard.instruments.virtual.circuit import Circuit, Points, Simulation

live = [
    pytest.mark.ngspice,
    pytest.mark.skipif(ngspice_run.installed() is None, reason="ngspice is not installed (Debian: ngspice)"),
]
RELATIVE, VOLTS = 1e-6, 1e-6


def solved(case: cases.Case) -> Points:
    return case.circuit.compile().solve([case.variant]).require()


def check(points: Points, want: dict[str, float]) -> None:
    assert want
    for net, volts in want.items():
        assert points.net(net)[0] == pytest.approx(volts, rel=RELATIVE, abs=VOLTS), net


@pytest.mark.parametrize("name", [pytest.param(name, marks=live) for name in cases.names()])
def test_operating_point_live(name: str, tmp_path: Path) -> None:
    case = cases.case(name)
    found = ngspice_run.operating_point(case.netlist, case.nodes.values(), tmp_path)
    check(solved(case), {net: found[node] for net, node in case.nodes.items() if node != "0"})


@pytest.mark.parametrize("name", cases.names())
def test_operating_point_from_the_table(name: str) -> None:
    rows = ngspice_tables.read(ngspice_tables.OPERATING_POINTS)
    check(solved(cases.case(name)), {net: float(volts) for net, volts in rows[name]})


def test_the_table_has_these_cases_and_no_others() -> None:
    assert list(ngspice_tables.read(ngspice_tables.OPERATING_POINTS)) == cases.names()
    assert list(ngspice_tables.read(ngspice_tables.TRANSIENTS)) == list(TRANSIENTS)


# --- transients -------------------------------------------------------------------------------------------------------
def simulated(each: Transient) -> list[float]:
    simulation = Simulation(Circuit(each.parts).compile(), tolerance=1e-6, resolution=1e-7)
    found = []
    stops = sorted({*each.times, *([each.then[0]] if each.then else [])})
    for at in stops:
        simulation.advance(at - simulation.time)
        if at in each.times:
            found.append(simulation.volts(each.net))
        if each.then and at == each.then[0]:
            simulation.change(each.then[1])
    return found


@pytest.mark.parametrize("name", [pytest.param(name, marks=live) for name in TRANSIENTS])
def test_transient_live(name: str, tmp_path: Path) -> None:
    each = TRANSIENTS[name]
    want = ngspice_run.transient(f"{name}\n{each.netlist}\n", each.net, each.times, each.step, tmp_path)
    assert simulated(each) == pytest.approx(want, abs=each.within * max(want))


@pytest.mark.parametrize("name", TRANSIENTS)
def test_transient_from_the_table(name: str) -> None:
    each = TRANSIENTS[name]
    rows = ngspice_tables.read(ngspice_tables.TRANSIENTS)[name]
    assert [float(at) for _, at, _ in rows] == list(each.times)
    want = [float(volts) for _, _, volts in rows]
    assert simulated(each) == pytest.approx(want, abs=each.within * max(want))
