"""Whether an instrument does what its dialect says: run on any supply, meter, scanner or oscilloscope, real or virtual.

    for check in check_psu(psu, "1"):                 open circuit, 1 V, 10 mA
        print(check.name, check.ok, check.says)
    check_psu(psu, "1", load=47.0)                    with a resistor: current limit and its trip too
    check_dmm(meter)                                  leads open
    check_scope(scope)                                whatever its probes sit on
    check_scanner(scanner, ["101", "102"])            nothing connected that must not be

A check that the instrument cannot be put to is left out, not passed. Whatever happens, the output is off at the end;
the last check says whether that is confirmed.
"""

from __future__ import annotations

from wakeboard.instruments.conformance.dmm import check_dmm
from wakeboard.instruments.conformance.psu import check_psu
from wakeboard.instruments.conformance.report import Check
from wakeboard.instruments.conformance.scanner import check_scanner
from wakeboard.instruments.conformance.scope import check_scope

__all__ = ["Check", "check_dmm", "check_psu", "check_scanner", "check_scope"]
