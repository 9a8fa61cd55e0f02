"""The bench on the wire: another process, real TCP through pyvisa-py, the console through pySerial on a pty.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import pyvisa
import serial

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def served() -> Iterator[dict[str, Any]]:
    process = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("serve_sample.py"))],
        cwd=ROOT,
        env={"PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1", "PATH": "/usr/bin:/bin"},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    yield json.loads(process.stdout.readline())
    process.stdin.close()
    assert process.wait(10) == 0
    process.stdout.close()


@pytest.fixture
def open_at(served: dict[str, Any]) -> Iterator[Any]:
    manager = pyvisa.ResourceManager("@py")
    opened = []

    def open_one(name: str) -> Any:
        resource = manager.open_resource(
            served["instruments"][name], read_termination="\n", write_termination="\n", timeout=5000
        )
        opened.append(resource)
        return resource

    yield open_one
    for resource in opened:
        resource.close()


def wait_for(question: Any, answer: Any, seconds: float = 5.0) -> None:
    """Until `question()` is `answer`: the bench runs in real time, and a busy computer lets it fall behind."""
    deadline = time.monotonic() + seconds
    while question() != answer and time.monotonic() < deadline:
        time.sleep(0.01)
    assert question() == answer


def test_the_whole_bench_over_tcp_and_a_pty(served: dict[str, Any], open_at: Any) -> None:
    supply, meter, scanner = open_at("supply"), open_at("meter"), open_at("scanner")
    assert "E36312A" in supply.query("*IDN?")
    port = serial.serial_for_url(served["console"], baudrate=115200, timeout=5)
    supply.write("VOLT 5,(@1);CURR 0.2,(@1);OUTP ON,(@1)")
    assert port.read_until(b"> ") == b"ready\r\n> "
    assert float(supply.query("MEAS:VOLT? (@1)")) == pytest.approx(5.0, abs=0.02)
    assert float(supply.query("MEAS:CURR? (@1)")) == pytest.approx(0.05, abs=0.01)
    port.write(b"id\n")
    assert port.read_until(b"> ") == b"sample 7\r\n> "
    scanner.write("ROUT:CLOS (@102)")
    assert scanner.query("ROUT:CLOS? (@102)") == "1"
    assert float(meter.query("MEAS:VOLT:DC? 10")) == pytest.approx(2.5 * 10 / 10.5, abs=0.02)
    port.write(b"pin OUT high\n")
    assert port.read_until(b"> ") == b"ok\r\n> "
    scanner.write("ROUT:CLOS:EXCL (@103)")
    scanner.query("*OPC?")
    assert float(meter.query("MEAS:VOLT:DC? 10")) == pytest.approx(5.0, abs=0.02)
    port.write(b"toggle OUT 1000 25\n")
    port.read_until(b"> ")
    assert float(meter.query("MEAS:VOLT:DC? 10")) == pytest.approx(1.25, abs=0.02)
    assert float(meter.query("MEAS:VOLT:AC? 10")) == pytest.approx(5.0 * (0.25 * 0.75) ** 0.5, abs=0.02)
    assert float(meter.query("MEAS:FREQ?")) == pytest.approx(1000, rel=1e-3)
    supply.write("OUTP OFF,(@1)")
    assert supply.query("OUTP? (@1)") == "0"
    port.close()


def test_several_clients_share_an_instrument(open_at: Any) -> None:
    first, second = open_at("supply"), open_at("supply")
    first.write("VOLT 1.5,(@2)")
    first.query("*OPC?")
    assert float(second.query("VOLT? (@2)")) == 1.5
    replies: dict[int, list[str]] = {1: [], 2: []}

    def ask(number: int, resource: Any) -> None:
        for _ in range(50):
            replies[number].append(resource.query(f"CURR? MAX,(@{number})"))

    threads = [threading.Thread(target=ask, args=(n, r)) for n, r in ((1, first), (2, second))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(set(replies[1])) == len(set(replies[2])) == 1
    assert replies[1] != replies[2]


def test_other_instruments_answer_while_the_meter_integrates(open_at: Any) -> None:
    supply, meter = open_at("supply"), open_at("meter")
    meter.write("CONF:VOLT:DC 10;:VOLT:DC:NPLC 10;:READ?")  # 0.4 s with autozero
    supply.query("*OPC?")
    meter.timeout = 50
    with pytest.raises(pyvisa.errors.VisaIOError):
        meter.read()
    meter.timeout = 10000
    assert abs(float(meter.read())) < 12


def test_half_messages_and_a_client_that_leaves(served: dict[str, Any], open_at: Any) -> None:
    host, port = served["instruments"]["supply"].split("::")[1:3]
    with socket.create_connection((host, int(port))) as raw:
        raw.sendall(b"VOLT 2.5,")
        time.sleep(0.02)
        raw.sendall(b"(@2)\r\nVOLT? (@2)\n*ID")
        assert float(raw.recv(100)) == 2.5
    supply = open_at("supply")
    wait_for(lambda: supply.query("SYST:ERR?"), '0,"No error"')
