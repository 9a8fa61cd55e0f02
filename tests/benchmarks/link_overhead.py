"""What the link costs on loopback, side by side in one run: prints medians and ratios.

    python -m tests.benchmarks.link_overhead

- the same four questions: asked one by one and in one line with PyVISA alone, through `Link.ask`, through `Psu.sample`;
- a write followed by a query: PyVISA alone (Nagle's algorithm against delayed acknowledgement), and `Link`;
- polling a supply that needs 1 ms and 5 ms for a reply: the share of the possible rate, and the share of one core.
"""

from __future__ import annotations

import multiprocessing
import os
import socket
import statistics
import tempfile
import threading
import time
from collections.abc import Callable
from typing import Any

import pyvisa

from wakeboard.instruments.dialect import load_psu
from wakeboard.instruments.link.link import Link
from wakeboard.instruments.link.manners import Manners
from wakeboard.instruments.scpi.psu import Psu

LINE = "MEAS:VOLT?;:MEAS:CURR?;:STAT:QUES:INST:ISUM1:COND?;:OUTP?"


def serve(ports: Any, delay: Any) -> None:
    """A process of its own that answers each question of a line with a number, after `delay.value` s."""
    listener = socket.create_server(("127.0.0.1", 0))
    ports.put(listener.getsockname()[1])
    while True:
        connection, _ = listener.accept()
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        threading.Thread(target=answer, args=(connection, delay), daemon=True).start()


def answer(connection: socket.socket, delay: Any) -> None:
    for line in connection.makefile("rb"):
        words = [each.strip().lstrip(b":") for each in line.split(b";")]
        said = [b"PSU,X,1,1" if each == b"*IDN?" else b"1" for each in words if b"?" in each]
        if said:
            if delay.value:
                time.sleep(delay.value)
            connection.sendall(b";".join(said) + b"\n")


def median(action: Callable[[], object], times: int = 500) -> float:
    spent = []
    for _ in range(times):
        start = time.perf_counter()
        action()
        spent.append(time.perf_counter() - start)
    return statistics.median(spent)


def rate_of(action: Callable[[], object], seconds: float = 2.0) -> tuple[float, float]:
    """(times a second, share of one core)"""
    start, busy, count = time.perf_counter(), time.thread_time(), 0
    while time.perf_counter() - start < seconds:
        action()
        count += 1
    elapsed = time.perf_counter() - start
    return count / elapsed, (time.thread_time() - busy) / elapsed


def main() -> None:
    os.environ["WAKEBOARD_LOCKS"] = tempfile.mkdtemp()
    context = multiprocessing.get_context("spawn")
    ports, delay = context.Queue(), context.Value("d", 0.0)
    peer = context.Process(target=serve, args=(ports, delay), daemon=True)
    peer.start()
    address = f"TCPIP::127.0.0.1::{ports.get()}::SOCKET"
    plain = pyvisa.ResourceManager("@py").open_resource(
        address, read_termination="\n", write_termination="\n", open_timeout=3000
    )
    link = Link.open(address, name="supply", manners=Manners(checked=True))
    psu = Psu(link, load_psu("scpi-psu"))
    psu.identify()
    questions = LINE.replace(";:", ";").split(";")
    single = median(lambda: [plain.query(each) for each in questions])
    compound = median(lambda: plain.query(LINE))
    asked = median(lambda: link.ask(LINE, 4))
    sampled = median(lambda: psu.sample("1"))
    print(f"four questions, PyVISA one by one   {single * 1e3:7.3f} ms")
    print(f"four questions, PyVISA in one line  {compound * 1e3:7.3f} ms")
    print(f"the same, Link.ask                  {asked * 1e3:7.3f} ms, {asked / compound:.2f} of PyVISA in one line")
    print(f"Psu.sample                          {sampled * 1e3:7.3f} ms, {sampled / single:.2f} of PyVISA one by one")
    nagle = median(lambda: (plain.write("VOLT 5"), plain.query("VOLT?")), 40)
    ours = median(lambda: (link.write("VOLT 5"), link.query("VOLT?")), 40)
    print(f"write, then query: PyVISA {nagle * 1e3:.2f} ms, Link {ours * 1e3:.3f} ms, {ours / nagle:.4f} of it")
    for seconds in (0.001, 0.005):
        delay.value = seconds
        possible, _ = rate_of(lambda: plain.query(LINE))
        rate, core = rate_of(lambda: psu.sample("1"))
        share = f"{rate / possible:.0%} of a bare PyVISA loop's {possible:.0f}, {core:.0%} of a core"
        print(f"reply after {seconds * 1e3:g} ms: {rate:.0f} samples/s, {share}")
    peer.kill()


if __name__ == "__main__":
    main()
