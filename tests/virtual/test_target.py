"""The board's processor: boots when its rail and reset allow, prints, answers, drives its pins.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
import serial

from wakeboard.instruments.virtual.bench import VirtualBench
from wakeboard.instruments.virtual.target import Answer, PinCommand, Running, Stream, TargetSpec

Make = Callable[..., VirtualBench]

SPEC = TargetSpec(
    part="U1",
    rail="V33",
    above=2.6,
    boot_time=0.12,
    boot_log=("sample 1", "ready"),
    prompt="> ",
    pin_command=PinCommand("pin {pin} {level}", "ok"),
    answers=(
        Answer("id", "sample 7"),
        Answer("main", "main up", needs={"VIN": (4.5, None)}, otherwise="main down"),
        Answer("pin?", "pin {volts:.2f} V", measures="PIN", times=2.0),
    ),
    streams=(Stream("dump", 1000, 5000.0),),
)


@pytest.fixture
def powered(bench: Make) -> VirtualBench:
    b = bench(target=SPEC, psu="plain")
    supply = b.instruments["supply"]
    supply.execute("INST:NSEL 2;:VOLT 3.3;CURR 0.1;OUTP ON")
    return b


def ask(b: VirtualBench, line: str) -> str:
    port = b.console(timeout=2.0)
    port.write(line.encode() + b"\n")
    return str(port.read_until(b"> ").decode())


def test_it_boots_after_its_time_and_prints_its_log(powered: VirtualBench) -> None:
    port = powered.console(timeout=0.05)
    assert port.read(100) == b""
    port.timeout = 1.0
    assert port.read_until(b"> ") == b"sample 1\r\nready\r\n> "
    assert powered.clock.now() == pytest.approx(0.12, abs=0.02)


def test_it_is_silent_below_its_voltage_and_restarts_when_power_comes_back(powered: VirtualBench) -> None:
    powered.clock.sleep(0.5)
    powered.console().reset_input_buffer()
    supply = powered.instruments["supply"]
    supply.execute("VOLT 2.0")
    powered.clock.sleep(0.1)
    assert ask(powered, "id") == ""
    supply.execute("VOLT 3.3")
    powered.clock.sleep(0.5)
    assert powered.console(timeout=0.0).read(100) == b"sample 1\r\nready\r\n> "


def test_answers_depend_on_the_rails(powered: VirtualBench) -> None:
    powered.clock.sleep(0.5)
    powered.console().reset_input_buffer()
    assert ask(powered, "id") == "sample 7\r\n> "
    assert ask(powered, "main") == "main down\r\n> "
    powered.instruments["supply"].execute("INST:NSEL 1;:VOLT 5;CURR 0.1;OUTP ON")
    powered.clock.sleep(0.1)
    assert ask(powered, "main") == "main up\r\n> "
    assert ask(powered, "nonsense") == "unknown command\r\n> "
    assert ask(powered, "") == "> "


def test_pins_move_nets_and_are_released_by_a_reset(powered: VirtualBench) -> None:
    powered.clock.sleep(0.5)
    powered.console().reset_input_buffer()
    assert powered.stage.volts("PIN") == pytest.approx(0.0, abs=1e-3)
    assert ask(powered, "pin OUT high") == "ok\r\n> "
    powered.clock.sleep(0.01)
    assert powered.stage.volts("PIN") == pytest.approx(3.3, abs=0.02)
    assert ask(powered, "pin?") == "pin 6.60 V\r\n> " or ask(powered, "pin?").startswith("pin 6.5")
    assert ask(powered, "pin NOPE high") == "bad pin\r\n> "
    assert ask(powered, "pin OUT sideways") == "bad level\r\n> "
    supply = powered.instruments["supply"]
    supply.execute("OUTP OFF")
    powered.clock.sleep(0.1)
    supply.execute("OUTP ON")
    powered.clock.sleep(0.5)
    assert powered.stage.volts("PIN") == pytest.approx(0.0, abs=1e-3)


def test_a_toggling_pin_by_command_and_from_boot(bench: Make) -> None:
    from dataclasses import replace

    for spec, line in ((SPEC, "toggle OUT 2000 25"), (replace(SPEC, running=(Running("OUT", 2000.0, 0.25),)), None)):
        b = bench(target=spec, psu="plain")
        b.instruments["supply"].execute("INST:NSEL 2;:VOLT 3.3;CURR 0.1;OUTP ON")
        b.clock.sleep(0.5)
        b.console().reset_input_buffer()
        if line:
            assert ask(b, line) == "ok\r\n> "
        b.instruments["scanner"].execute("ROUT:CLOS (@105)")
        meter = b.instruments["meter"]
        assert float(meter.execute("MEAS:FREQ?") or 0) == pytest.approx(2000, rel=1e-3)
        assert float(meter.execute("MEAS:VOLT:DC? 10") or 0) == pytest.approx(3.3 * 0.25, rel=0.01)


def test_a_stream_takes_its_time(powered: VirtualBench) -> None:
    powered.clock.sleep(0.5)
    port = powered.console(timeout=2.0)
    port.reset_input_buffer()
    start = powered.clock.now()
    port.write(b"dump\n")
    data = port.read_until(b"> ")
    assert len(data) == 1000 + len("\r\n> ")
    assert powered.clock.now() - start == pytest.approx(1000 / 5000, rel=0.05)
    assert re.fullmatch(rb"[0-9a-f]{1000}\r\n> ", data)


def test_the_serial_object_behaves_as_pyserial_does(powered: VirtualBench) -> None:
    port = powered.console(timeout=0.0)
    assert port.in_waiting == 0
    assert port.read(5) == b""
    powered.clock.sleep(0.5)
    assert port.in_waiting == len(b"sample 1\r\nready\r\n> ")
    assert port.readline() == b"sample 1\r\n"
    port.close()
    with pytest.raises(serial.SerialException):
        port.read(1)


def test_a_wrong_part_is_an_error(bench: Make) -> None:
    from dataclasses import replace

    from wakeboard.instruments.virtual.circuit import CircuitError

    with pytest.raises(CircuitError, match="U9"):
        bench(target=replace(SPEC, part="U9"))
