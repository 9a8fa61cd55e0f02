"""The instruments on one circuit, through PyVISA in process.

Expected values are computed here from the circuit's resistors by Ohm's law; the accuracy figures are the maker's
(34461A: 0.0035 % of reading + 0.0005 % of range on 10 V, 0.01 % + 0.001 % on 10 kΩ).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest
import pyvisa

from wakeboard.instruments.virtual.bench import VirtualBench, prepare
from wakeboard.instruments.virtual.circuit import Circuit, Part
from wakeboard.instruments.virtual.time.waves import Toggle

Make = Callable[..., VirtualBench]


def power(o: Any, volts: float = 5.0, limit: float = 0.2) -> None:
    """Switch the first output on and let it rise."""
    o.supply.write(f"VOLT {volts},(@1);CURR {limit},(@1);OUTP ON,(@1)")
    o.bench.clock.sleep(0.03)


def test_constant_voltage_and_constant_current(bench: Make, opened: Any) -> None:
    b = bench()
    o = opened(b)
    power(o, 5.0, 0.2)
    b.clock.sleep(0.1)
    assert float(o.supply.query("MEAS:VOLT? (@1)")) == pytest.approx(5.0, abs=0.02)
    assert float(o.supply.query("MEAS:CURR? (@1)")) == pytest.approx(0.05, abs=0.008)
    assert o.supply.query("STAT:QUES:INST:ISUM1:COND?") == "+2"
    o.supply.write("CURR 0.02,(@1)")
    b.clock.sleep(0.1)
    assert float(o.supply.query("MEAS:VOLT? (@1)")) == pytest.approx(2.0, abs=0.4)  # 20 mA into 100 Ω
    assert o.supply.query("STAT:QUES:INST:ISUM1:COND?") == "+1"
    assert float(o.supply.query("MEAS:CURR? (@1)")) == pytest.approx(0.02, abs=0.008)
    o.supply.write("OUTP OFF,(@1)")
    assert o.supply.query("OUTP? (@1)") == "0"
    assert o.supply.query("STAT:QUES:INST:ISUM1:COND?") == "+0"
    assert float(o.supply.query("MEAS:VOLT? (@1)")) == pytest.approx(0.0, abs=0.01)
    assert o.supply.query("SYST:ERR?") == '0,"No error"'


def test_over_voltage_trips_latches_and_clear_puts_the_output_back(bench: Make, opened: Any) -> None:
    b = bench()
    o = opened(b)
    o.supply.write("VOLT:PROT 5.5,(@1);:VOLT:PROT:STAT ON,(@1)")
    power(o, 5.0)
    b.clock.sleep(0.1)
    assert o.supply.query("VOLT:PROT:TRIP? (@1)") == "0"
    o.supply.write("VOLT 5.8,(@1)")
    b.clock.sleep(0.05)
    assert o.supply.query("VOLT:PROT:TRIP? (@1);:OUTP? (@1)") == "1;0"
    assert o.supply.query("STAT:QUES:INST:ISUM1:COND?") == "+4"
    assert int(o.supply.query("STAT:QUES:INST:ISUM1?")) & 4  # latched
    o.supply.write("OUTP ON,(@1)")
    assert o.supply.query("SYST:ERR?").startswith("-221")
    assert b.outputs_on == []
    o.supply.write("VOLT 5,(@1);:OUTP:PROT:CLE (@1)")
    assert o.supply.query("OUTP? (@1)") == "1"  # this maker restores


def test_over_current_trips_on_constant_current_after_its_delay(bench: Make, opened: Any) -> None:
    b = bench()
    o = opened(b)
    o.supply.write("CURR:PROT:DEL 0.1,(@1);:CURR:PROT:STAT ON,(@1)")
    power(o, 5.0, 0.02)
    b.clock.sleep(0.05)
    assert o.supply.query("OUTP? (@1)") == "1"
    b.clock.sleep(0.1)
    assert o.supply.query("CURR:PROT:TRIP? (@1);:OUTP? (@1)") == "1;0"


def test_over_current_forgets_a_dip_shorter_than_its_delay(bench: Make, opened: Any) -> None:
    b = bench()
    o = opened(b)
    o.supply.write("CURR:PROT:DEL 0.2,(@1);:CURR:PROT:STAT ON,(@1)")
    power(o, 5.0, 0.02)
    b.clock.sleep(0.1)
    o.supply.write("CURR 0.2,(@1)")
    b.clock.sleep(0.3)
    assert o.supply.query("OUTP? (@1)") == "1"


def test_the_meter_loads_a_high_divider(bench: Make, opened: Any) -> None:
    """Two 1 MΩ across 5 V: 2.5 V into an open, 2.5·(10/10.5) V into 10 MΩ."""
    b = bench()
    o = opened(b)
    power(o)
    o.scanner.write("ROUT:CLOS (@101)")
    o.meter.write("CONF:VOLT:DC 10")
    volts = float(o.meter.query("READ?"))
    o.scanner.write("ROUT:CLOS:EXCL (@102)")
    assert float(o.meter.query("READ?")) == pytest.approx(volts / 2 * 10 / 10.5, rel=2e-4)
    o.meter.write("VOLT:DC:IMP:AUTO ON")
    assert float(o.meter.query("READ?")) == pytest.approx(volts / 2, rel=2e-4)
    o.meter.write("VOLT:DC:RANG 100")  # 10 MΩ only above 10 V
    assert float(o.meter.query("READ?")) == pytest.approx(volts / 2 * 10 / 10.5, rel=1e-3)


def test_meter_errors_stay_inside_the_accuracy_table(bench: Make, opened: Any) -> None:
    for unit in range(5):
        b = bench(serials={"meter": f"M{unit}"})
        o = opened(b)
        power(o)
        o.scanner.write("ROUT:CLOS (@101)")
        true = b.stage.volts("VIN")
        read = float(o.meter.query("MEAS:VOLT:DC? 10"))
        assert abs(read - true) <= 0.000035 * true + 0.000005 * 10
        o.scanner.write("ROUT:CLOS:EXCL (@104)")
        o.supply.write("OUTP OFF,(@1)")
        ohms = float(o.meter.query("MEAS:RES? 10000"))
        assert abs(ohms - 10e3 - b.probe.path) <= 0.0001 * 10e3 + 0.00001 * 10e3


def test_ohms_through_a_diode_depend_on_polarity(bench: Make, opened: Any) -> None:
    """Forward the junction conducts the 1 mA at some 0.6 V; reverse the 1 MΩ beside it takes the meter to overload."""
    o = opened(bench())
    o.scanner.write("ROUT:CLOS (@103)")
    forward = float(o.meter.query("MEAS:RES? 1000"))
    assert 400 < forward < 900
    assert 0.4 < float(o.meter.query("MEAS:DIOD?")) < 0.9
    o.scanner.write("ROUT:CLOS (@107)")  # leads reversed
    assert float(o.meter.query("MEAS:RES? 1000")) == 9.9e37
    assert float(o.meter.query("MEAS:DIOD?")) == 9.9e37
    assert int(o.meter.query("STAT:QUES?")) & (1 << 9)
    assert float(o.meter.query("MEAS:RES? 1E7")) == pytest.approx(1e6, rel=2e-2)


def test_ranges_overload_and_autorange(bench: Make, opened: Any) -> None:
    o = opened(bench())
    power(o)
    o.scanner.write("ROUT:CLOS (@101)")
    assert float(o.meter.query("MEAS:VOLT:DC? 1")) == 9.9e37
    assert float(o.meter.query("MEAS:VOLT:DC?")) == pytest.approx(5.0, abs=0.02)
    assert float(o.meter.query("VOLT:DC:RANG?")) == 10.0
    o.meter.write("CONF:VOLT:DC 2000")
    assert o.meter.query("SYST:ERR?").startswith("-222")


def test_a_toggling_line_reads_mean_rms_and_frequency(bench: Make, opened: Any) -> None:
    """A rectangular wave 0 … A of duty d: mean A·d, AC RMS A·√(d(1-d)) (any textbook on RMS values)."""
    b = bench()
    o = opened(b)
    o.supply.write("VOLT 3.3,(@2);CURR 0.1,(@2);OUTP ON,(@2)")
    o.scanner.write("ROUT:CLOS (@106)")
    high = float(o.meter.query("MEAS:VOLT:DC? 10"))
    o.scanner.write("ROUT:CLOS:EXCL (@105)")
    for duty in (0.25, 0.5, 0.9):
        b.waves.start(Toggle("U1.OUT.drive", 1000.0, duty))
        assert float(o.meter.query("MEAS:VOLT:DC? 10")) == pytest.approx(high * duty, rel=1e-3)
        assert float(o.meter.query("MEAS:VOLT:AC? 10")) == pytest.approx(
            high * math.sqrt(duty * (1 - duty)), rel=0.0006 * 2, abs=0.003
        )
        assert float(o.meter.query("MEAS:FREQ?")) == pytest.approx(1000.0, rel=2e-4)
    b.waves.stop_all()
    b.stage.change({"U1.OUT.drive": "low"})
    assert float(o.meter.query("MEAS:VOLT:AC? 10")) < 0.005
    assert float(o.meter.query("MEAS:FREQ?")) == 0.0


def test_two_closed_channels_tie_their_nets(bench: Make, opened: Any) -> None:
    """5 V meets 10 kΩ to ground through both relays."""
    b = bench()
    o = opened(b)
    power(o)
    assert b.stage.volts("TEN") == pytest.approx(0.0, abs=1e-3)
    o.scanner.write("ROUT:CLOS (@104)")
    o.scanner.write("ROUT:CLOS (@101)")
    assert o.scanner.query("ROUT:CLOS? (@101,104,102)") == "1,1,0"
    assert b.stage.volts("TEN") == pytest.approx(5.0, abs=0.02)
    o.scanner.write("ROUT:CLOS:EXCL (@104)")
    assert b.stage.volts("TEN") == pytest.approx(0.0, abs=1e-3)
    assert o.scanner.query("DIAG:REL:CYCL? (@101,104)") == "+1,+1"


def test_the_bleed_loads_the_point(bench: Make, opened: Any) -> None:
    """10 kΩ across one leg of the 1 MΩ divider."""
    b = bench()
    o = opened(b)
    power(o)
    route = b.bench_description()["probing"]["bleed"]["route"]
    o.scanner.write(f"ROUT:CLOS (@102,{route})")
    leg = 1 / (1 / 1e6 + 1 / 10e3 + 1 / 10e6)
    assert float(o.meter.query("MEAS:VOLT:DC? 1")) == pytest.approx(5.0 * leg / (1e6 + leg), rel=5e-3)


def test_an_open_lead_reads_nothing(bench: Make, opened: Any) -> None:
    o = opened(bench())
    power(o)
    assert abs(float(o.meter.query("MEAS:VOLT:DC? 10"))) < 1e-3
    assert float(o.meter.query("MEAS:RES? 1E6")) == 9.9e37


def test_integration_takes_virtual_time(bench: Make, opened: Any) -> None:
    b = bench()
    o = opened(b)
    o.meter.write("CONF:VOLT:DC 10;:VOLT:DC:NPLC 10")
    start = b.clock.now()
    o.meter.query("READ?")
    assert b.clock.now() - start == pytest.approx(2 * 10 / 50, rel=0.05)  # autozero doubles it; 50 Hz mains


def test_same_unit_reads_the_same_again_and_another_differs(prepared: Any, bench: Make, opened: Any) -> None:
    def reading(**options: Any) -> str:
        o = opened(bench(**options))
        power(o)
        o.scanner.write("ROUT:CLOS (@101)")
        return str(o.meter.query("MEAS:VOLT:DC? 10"))

    assert reading() == reading()
    assert reading() != reading(serials={"meter": "another"})


def test_queries_out_of_turn_on_a_framed_link(bench: Make) -> None:
    """IEEE 488.2: -410 when a reply is not read, -420 when there is none to read; a raw socket knows neither."""
    from wakeboard.instruments.virtual.wire.visa import VirtualVisa

    b = bench()
    meter = b.instruments["meter"]
    manager = pyvisa.ResourceManager(VirtualVisa.of({"USB0::0x2A8D::0x1301::MY1::INSTR": meter}, b.stage))
    assert manager.list_resources() == ("USB0::0x2A8D::0x1301::MY1::0::INSTR",)
    usb = manager.open_resource("USB0::0x2A8D::0x1301::MY1::INSTR", read_termination="\n", write_termination="\n")
    usb.write("*IDN?")
    assert usb.query("SYST:ERR?").startswith("-410")
    before = b.clock.now()
    with pytest.raises(pyvisa.errors.VisaIOError):
        usb.read()
    assert b.clock.now() - before == pytest.approx(2.0)  # the timeout passed on the virtual clock
    assert usb.query("SYST:ERR?").startswith("-420")
    assert usb.read_stb() == 0
    usb.write("NOSUCH")
    assert usb.read_stb() & 4
    usb.clear()
    manager.close()


def test_a_socket_hands_every_reply_on_in_turn(bench: Make, opened: Any) -> None:
    o = opened(bench())
    o.meter.write("*IDN?")
    o.meter.write("*OPC?")
    assert "34461A" in o.meter.read()
    assert o.meter.read() == "1"


def test_unknown_addresses_and_closed_sessions(bench: Make, opened: Any) -> None:
    o = opened(bench())
    with pytest.raises(pyvisa.errors.VisaIOError, match="VI_ERROR_RSRC_NFOUND"):
        o.manager.open_resource("TCPIP::nowhere::5025::SOCKET")
    o.meter.close()
    with pytest.raises(pyvisa.errors.InvalidSession):
        o.meter.query("*IDN?")


def test_tickers_run_on_the_virtual_clock_even_while_the_meter_integrates(bench: Make, opened: Any) -> None:
    b = bench()
    o = opened(b)
    seen: list[float] = []
    ticker = b.clock.every(0.01, lambda: seen.append(b.clock.now()))
    o.meter.write("CONF:VOLT:DC 10;:VOLT:DC:NPLC 1")
    start = len(seen)
    o.meter.query("READ?")
    assert len(seen) - start == pytest.approx(2 / 50 / 0.01, abs=1.5)
    ticker.stop()
    before = len(seen)
    b.clock.sleep(1.0)
    assert len(seen) == before


def test_a_ticker_may_talk_to_the_supply(bench: Make, opened: Any) -> None:
    b = bench()
    o = opened(b)
    power(o, 5.0, 0.2)

    def poll() -> None:
        if float(o.supply.query("MEAS:CURR? (@1)")) > 0.03:
            o.supply.write("OUTP OFF,(@1)")

    b.clock.every(0.005, poll)
    o.meter.query("MEAS:VOLT:DC? 10")
    assert b.outputs_on == []


def test_bench_description_names_every_instrument_and_route(bench: Make) -> None:
    described = bench().bench_description({"supply": "TCPIP::h::1::SOCKET"}, "/dev/x")
    assert described["instruments"]["supply"] == {
        "kind": "psu",
        "address": "TCPIP::h::1::SOCKET",
        "feeds": {"1": "MAIN", "2": "CORE"},
    }
    assert described["probing"]["routes"]["TP6"] == 106
    assert described["probing"]["reverse"] == 107
    assert described["probing"]["bleed"] == {"ohms": "10000 Ω", "route": 108}


def test_more_supplies_than_outputs_take_a_second_instrument(prepared: Any) -> None:
    b = VirtualBench(prepared, psu="e3632a", transients=False)
    kinds = {name: entry.get("feeds") for name, entry in b.bench_description()["instruments"].items()}
    assert kinds["supply"] == {"1": "MAIN"}
    assert kinds["supply2"] == {"1": "CORE"}


def test_a_board_of_hundreds_of_points_fits_on_the_scanner() -> None:
    count = 250
    parts = [Part(f"R{k}", "resistor", {"1": f"N{k}", "2": "GND"}, {"value": 1000.0 + k}) for k in range(count)]
    prepared = prepare(Circuit(parts), {"MAIN": "N0"}, {f"TP{k}": f"N{k}" for k in range(count)})
    made = VirtualBench(prepared, transients=False)
    channel = made.bench_description()["probing"]["routes"]["TP249"]
    scanner, meter = (made.instruments[name] for name in ("scanner", "meter"))
    assert scanner.execute(f"ROUT:CLOS (@{channel});:SYST:ERR?") == '0,"No error"'
    assert float(str(meter.execute("MEAS:RES?"))) == pytest.approx(1249.0, abs=1.0)
