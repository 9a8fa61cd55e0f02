"""JUnit XML, which continuous-integration servers show: a suite a run, a case a step.

A step that failed or was marginal is a `failure` (a limit was missed), and so is a trip (the board drew what it must
not); a bench error is an `error` (it says nothing of the board); a skipped step is `skipped`. A run without an end
is a suite with one `error` more. Characters that XML 1.0 cannot hold (control characters from an instrument) are left
out.
"""

from __future__ import annotations

import datetime
import os
import re
from collections.abc import Iterable, Sequence
from typing import Final
from xml.etree import ElementTree

from wakeboard.results.export import whole_file
from wakeboard.results.ledger.text import show, show_limits
from wakeboard.results.records import Reading, RunRecord, Step

# XML 1.0, section 2.2: Char ::= #x9 | #xA | #xD | [#x20-#xD7FF] | [#xE000-#xFFFD] | [#x10000-#x10FFFF]
_NOT_XML: Final = re.compile("[^\\t\\n\\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def xml_text(text: str) -> str:
    """Text without the characters that XML 1.0 cannot hold."""
    return _NOT_XML.sub("", text)


def write_junit(records: Iterable[RunRecord], path: str | os.PathLike[str]) -> None:
    """Writes runs, one suite each, in the order given."""
    with whole_file(path) as draft:
        draft.write_bytes(junit(list(records)))


def junit(records: Sequence[RunRecord]) -> bytes:
    """The document as UTF-8 bytes; the same runs give the same bytes."""
    root = ElementTree.Element("testsuites")
    for record in records:
        root.append(_suite(record))
    for name in ("tests", "failures", "errors", "skipped"):
        root.set(name, str(sum(int(suite.get(name, "0")) for suite in root)))
    root.set("time", _seconds(sum(float(suite.get("time", "0")) for suite in root)))
    ElementTree.indent(root)
    return bytes(ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)) + b"\n"


def _suite(record: RunRecord) -> ElementTree.Element:
    suite = ElementTree.Element("testsuite")
    suite.set("name", xml_text(f"{record.board} {record.unit}: {record.sequence}"))
    suite.set("timestamp", _iso(record.started))
    suite.set("hostname", xml_text(record.start.host))
    suite.append(_properties(record))
    cases = [_case(record, step) for step in record.steps]
    if record.outcome is None or record.abandoned:
        cases.append(_lost_end(record))
    suite.extend(cases)
    suite.set("tests", str(len(cases)))
    for name, kind in (("failures", "failure"), ("errors", "error"), ("skipped", "skipped")):
        suite.set(name, str(sum(case.find(kind) is not None for case in cases)))
    suite.set("time", _seconds(sum(float(case.get("time", "0")) for case in cases)))
    return suite


def _properties(record: RunRecord) -> ElementTree.Element:
    told = {
        "run": record.id,
        "unit": record.unit,
        "board": record.board,
        "revision": record.revision,
        "outcome": record.word,
        "outputs_off": "" if record.outputs_off is None else str(record.outputs_off).lower(),
        "operator": record.start.operator,
        "software": record.start.software,
        "virtual": str(record.start.virtual).lower(),
        "rework": "; ".join(done.text for done in record.rework),
        **{f"sha256_{name}": value for name, value in record.hashes.items()},
    }
    properties = ElementTree.Element("properties")
    for name, value in told.items():
        ElementTree.SubElement(properties, "property", {"name": name, "value": xml_text(value)})
    return properties


def _case(record: RunRecord, step: Step) -> ElementTree.Element:
    case = ElementTree.Element("testcase")
    case.set("classname", xml_text(f"{record.board}.{record.sequence}"))
    case.set("name", xml_text(f"{step.number} {step.name}"))
    case.set("time", _seconds(max(0.0, step.ended - step.started)))
    odd = [reading for reading in step.readings if reading.outcome not in ("pass", "skipped")]
    says = step.says or "; ".join(_told(reading) for reading in odd[:3]) or step.outcome
    if step.outcome in ("fail", "marginal", "tripped"):
        _result(case, "failure", step.outcome, says, odd)
    elif step.outcome == "error":
        _result(case, "error", "bench", says, odd)
    elif step.outcome == "skipped":
        ElementTree.SubElement(case, "skipped", {"message": xml_text(step.says or "skipped")})
    if step.readings:
        out = ElementTree.SubElement(case, "system-out")
        out.text = xml_text("\n".join(_told(reading) for reading in step.readings))
    return case


def _result(case: ElementTree.Element, tag: str, kind: str, says: str, odd: Sequence[Reading]) -> None:
    result = ElementTree.SubElement(case, tag, {"type": kind, "message": xml_text(says)})
    result.text = xml_text("\n".join(_told(reading) for reading in odd)) or None


def _lost_end(record: RunRecord) -> ElementTree.Element:
    case = ElementTree.Element("testcase", {"classname": xml_text(f"{record.board}.{record.sequence}")})
    case.set("name", "end of the run")
    case.set("time", _seconds(0.0))
    ElementTree.SubElement(case, "error", {"type": "run", "message": xml_text(record.says or "the run has no end")})
    return case


def _told(reading: Reading) -> str:
    """ "+3V3 dc volts 2.801 V, allowed 3.234 V .. 3.366 V: fail (USB=5V@120mA)"."""
    value = show(reading.value, reading.unit) if reading.value is not None else reading.says or "no number"
    limits = show_limits(reading.low, reading.high, reading.unit)
    text = (
        f"{reading.of} {reading.quantity} {value}" + (f", allowed {limits}" if limits else "") + f": {reading.outcome}"
    )
    return text + (f" ({reading.state})" if reading.state else "")


def _seconds(value: float) -> str:
    return f"{value:.3f}"


def _iso(at: float) -> str:
    return datetime.datetime.fromtimestamp(at, datetime.UTC).strftime("%Y-%m-%dT%H:%M:%S")
