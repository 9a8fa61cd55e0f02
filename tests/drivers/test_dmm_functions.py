"""Four wires and current, on the virtual meter that the demonstration uses."""

from __future__ import annotations

import pytest

from wakeboard.instruments.scpi.opening import open_instrument
from wakeboard.instruments.virtual.bench import VirtualBench, prepare
from wakeboard.instruments.virtual.circuit import Circuit, Part


def test_four_wires_do_not_see_the_way_to_the_point_and_a_current_jack_that_nothing_is_in_reads_none():
    """34461A: CONF:FRES beside CONF:RES, CURR:DC:TERM 3|10 (Truevolt guide p197)."""
    circuit = Circuit([Part("R1", "resistor", {"1": "A", "2": "GND"}, {"value": 100.0})])
    bench = VirtualBench(prepare(circuit, {}, {"TP1": "A"}))
    address = "TCPIP::virtual-meter::5025::SOCKET"
    meter = open_instrument("dmm", address, name="meter", resource_manager=bench.visa(), clock=bench.clock)
    relays = bench.instruments["scanner"].relays
    relays.close((101,))
    two, four = meter.ohms(1000.0), meter.measure("ohms 4w", 1000.0)
    assert four.value == pytest.approx(100.0, abs=3 * four.u)
    assert two.value - four.value == pytest.approx(0.1 + relays.ohms(101), abs=3 * two.u)
    none = meter.measure("current", 0.1)
    assert none.value == pytest.approx(0.0, abs=3 * none.u)
    meter.link.write("CURR:DC:TERM 10")
    assert meter.link.query("CURR:DC:TERM?") == "10"
