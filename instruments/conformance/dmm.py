"""The conformance suite for a meter: see conformance.py."""

from __future__ import annotations

import math
from collections.abc import Sequence

from wakeboard.instruments.conformance.report import Check, Report, error_queue, identity_of, must
from wakeboard.instruments.errors import DialectError
from wakeboard.instruments.meter import UNITS
from wakeboard.instruments.ports import Measurement
from wakeboard.instruments.scpi.dmm import Dmm


def check_dmm(
    dmm: Dmm, *, open_leads: bool = True, without: Sequence[str] = ("current",), longest: float = 1000.0
) -> list[Check]:
    """Each quantity and each range, integration, input resistance, repeats, overload, error queue.

    open_leads: nothing is connected; then ohms must overload. Nothing that is connected may mind up to 13 V and 1 mA.
    without: quantities that are left alone; current is, since its jack may be wired to something. longest: NPLC of the
    longest integration that is tried.
    """
    report = Report()
    if not report.run("identity", lambda: identity_of(dmm.identify())):
        return report.checks
    report.run("error queue", lambda: error_queue(dmm.speaker))
    for name in dmm.dialect.quantities:
        if name not in without:
            report.run(name, lambda name=name: _quantity(dmm, name))  # type: ignore[misc]
            for span in dmm.dialect.quantities[name].ranges:
                report.run(f"{name}, range {span:g} {UNITS[name]}", lambda n=name, s=span: _range(dmm, n, s))  # type: ignore[misc]
    for nplc in (each for each in dmm.dialect.nplc if each <= longest):
        report.run(f"integration {nplc:g}", lambda nplc=nplc: _shown(dmm.dc_volts(_middle(dmm), nplc)))  # type: ignore[misc]
    report.run("three readings", lambda: _repeats(dmm))
    report.run("input resistance", lambda: _input(dmm))
    if open_leads:
        report.run("overload", lambda: _overload(dmm))
    report.run("terminals", lambda: dmm.terminals() or "this meter does not tell")
    return report.checks


def _quantity(dmm: Dmm, name: str) -> str:
    return _shown(dmm.measure(name))  # type: ignore[arg-type]


def _range(dmm: Dmm, name: str, span: float) -> str:
    seen = dmm.measure(name, span)  # type: ignore[arg-type]
    if seen.range is not None:
        must(math.isclose(seen.range, span, rel_tol=0.01), f"range {span:g} was said, it is on {seen.range:g}")
    most = dmm.dialect.quantities[name].over * span * 1.01  # type: ignore[index]
    must(seen.overload or name == "frequency" or abs(seen.value) <= most, f"reads {seen.value:g} on range {span:g}")
    return _shown(seen)


def _shown(seen: Measurement) -> str:
    if seen.overload:
        return "overload"
    must(math.isfinite(seen.value) and (seen.u > 0 or seen.value == 0), f"reads {seen.value!r} with u = {seen.u!r}")
    return f"{seen.value:.6g} {seen.unit}, u = {seen.u:.2g}"


def _middle(dmm: Dmm) -> float:
    ranges = dmm.dialect.quantities["dc volts"].ranges
    return min(each for each in ranges if each >= 4)


def _repeats(dmm: Dmm) -> str:
    seen = dmm.dc_volts(_middle(dmm), count=3)
    must(seen.count == 3, f"three readings were asked, {seen.count} came")
    return _shown(seen)


def _input(dmm: Dmm) -> str:
    said = []
    for high in (True, False):
        try:
            dmm.input_ohms(high)
        except DialectError as error:
            said.append(str(error))
            continue
        dmm.dc_volts(_middle(dmm))
        said.append("> 10 GΩ" if high else "10 MΩ")
    return ", ".join(said)


def _overload(dmm: Dmm) -> str:
    spans = dmm.dialect.quantities["ohms"].ranges
    seen = dmm.ohms(spans[1] if len(spans) > 1 else None)
    must(seen.overload, f"open leads read {seen.value:g} Ω")
    must(math.isinf(seen.value), "an overload must not look like a number")
    return "open leads overload"
