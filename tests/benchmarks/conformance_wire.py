"""Every virtual instrument through the conformance suite over a real socket, in real time: prints a table.

    python -m tests.benchmarks.conformance_wire [FACE…]

Free-running meters and supplies with a gap between commands take seconds each: hence not a test.
"""

from __future__ import annotations

import sys
import time

from wakeboard.instruments.conformance.suite import Check, check_dmm, check_psu, check_scanner
from wakeboard.instruments.scpi.dmm import Dmm
from wakeboard.instruments.scpi.opening import open_instrument
from wakeboard.instruments.scpi.psu import Psu
from wakeboard.instruments.virtual.bench import VirtualBench, prepare
from wakeboard.instruments.virtual.circuit import Circuit, Part
from wakeboard.instruments.virtual.faces import FACES
from wakeboard.instruments.virtual.wire.server import running


def checks_of(driver: object) -> list[Check]:
    if isinstance(driver, Psu):
        return check_psu(driver, "1", load=47.0)
    if isinstance(driver, Dmm):
        return check_dmm(driver, without=())
    return check_scanner(driver, ["101", "102"])  # type: ignore[arg-type]


def main(wanted: list[str]) -> int:
    parts = [Part("R1", "resistor", {"1": "VUSB", "2": "GND"}, {"value": 47.0})]
    prepared = prepare(Circuit(parts), {"USB": "VUSB"}, {"TP1": "VUSB", "TP2": "GND"})
    bad = 0
    for kind, faces in FACES.items():
        for face in faces:
            if wanted and face not in wanted:
                continue
            bench = VirtualBench(prepared, **{kind: face})
            name = next(each.name for each in bench.placed if each.kind == kind)
            start = time.monotonic()
            with running(bench) as addresses:
                dialect = "korad-ka3000" if face == "korad" else None
                driver = open_instrument(kind, addresses.instruments[name], name=name, dialect=dialect)
                checks = checks_of(driver)
                driver.link.close()
            failed = [f"{each.name}: {each.says}" for each in checks if not each.ok]
            bad += len(failed)
            seconds = time.monotonic() - start
            print(f"{kind:8}{face:10}{driver.dialect.name:20}{len(checks):3} checks {seconds:5.1f} s  {failed or 'ok'}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
