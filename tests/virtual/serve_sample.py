"""Serves a small bench until its standard input ends; prints the addresses as one line of JSON."""

from __future__ import annotations

import json
import sys
import threading

from wakeboard.instruments.virtual.bench import VirtualBench, prepare
from wakeboard.instruments.virtual.circuit import Circuit, Part
from wakeboard.instruments.virtual.target import Answer, TargetSpec
from wakeboard.instruments.virtual.wire.server import Addresses, serve

PARTS = (
    Part("R1", "resistor", {"1": "VIN", "2": "GND"}, {"value": 100.0}),
    Part("R2", "resistor", {"1": "VIN", "2": "MID"}, {"value": 1e6}),
    Part("R3", "resistor", {"1": "MID", "2": "GND"}, {"value": 1e6}),
    Part("R6", "resistor", {"1": "PIN", "2": "GND"}, {"value": 100e3}),
    Part("U1", "chip", {"VDD": "VIN", "GND": "GND", "OUT": "PIN"}, {"io": {"OUT": {"type": "io", "ohms": 1.0}}}),
)
SPEC = TargetSpec("U1", rail="VIN", above=2.6, boot_time=0.05, boot_log=("ready",), answers=(Answer("id", "sample 7"),))


def main() -> None:
    prepared = prepare(Circuit(PARTS), {"MAIN": "VIN"}, {"TP1": "VIN", "TP2": "MID", "TP5": "PIN"})
    bench = VirtualBench(prepared, target=SPEC, transients=False)
    stop = threading.Event()

    def ready(addresses: Addresses) -> None:
        print(json.dumps({"instruments": dict(addresses.instruments), "console": addresses.console}), flush=True)

    def wait() -> None:
        sys.stdin.read()
        stop.set()

    threading.Thread(target=wait, daemon=True).start()
    serve(bench, ready=ready, stop=stop)


if __name__ == "__main__":
    main()
