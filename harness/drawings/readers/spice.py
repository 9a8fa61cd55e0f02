"""A SPICE netlist as a drawing: its parts with their models as they stand; sources against ground become supplies."""

from __future__ import annotations

import re
from typing import Final

from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.drawings.design import Design, DrawnPart, Where
from wakeboard.harness.drawings.source import Source
from wakeboard.instruments.virtual.circuit.errors import CircuitError
from wakeboard.instruments.virtual.circuit.part import Part
from wakeboard.instruments.virtual.circuit.spice.text import NetlistError

from . import Options

WHAT: Final = "a SPICE netlist"
_ELEMENT: Final = re.compile(r"[RCLVIDQMXrclvidqmx][A-Za-z0-9_]*\s+\S+\s+\S+\s+\S+")
_DOT: Final = re.compile(r"\.(?:end|ends|model|subckt|param|include|lib|op|tran|dc|ac|options?)\b", re.IGNORECASE)


def tells(source: Source) -> int:
    rows = [row for row in source.head.splitlines()[1:60] if row.strip()]
    elements = sum(bool(_ELEMENT.match(row)) for row in rows)
    dots = sum(bool(_DOT.match(row)) for row in rows)
    known = elements + dots + sum(row[:1] in "*+" for row in rows)
    if not rows or not (dots or elements >= 2) or known < 0.6 * len(rows):
        return 0
    return 85 if dots and elements else 45


def read(source: Source, options: Options) -> Design:
    """Raises FileProblems with the line for what cannot be read."""
    from wakeboard.instruments.virtual.circuit.spice.read import read as read_spice

    try:
        netlist = read_spice(source.text, options.ground, keep_going=True)
    except NetlistError as error:
        allowed = "R C L V I D Q M X, .model, .subckt, .param"
        raise FileProblems([source.problem(each.line, 1, str(each), allowed) for each in error.all]) from None
    except CircuitError as error:
        raise source.wrong(1, 0, str(error), "a netlist of a circuit") from None
    design = Design(remarks=[f"left out, although it changes an operating point: {each}" for each in netlist.left_out])
    for part in netlist.parts:
        if part.kind == "v_source" and part.pins["N"] == options.ground and float(part.values["volts"]) > 0:
            design.supplies[part.name] = (part.pins["P"], float(part.values["volts"]))
        else:
            design.parts[part.name] = _drawn(source, part)
    for unread in netlist.unread:
        where = Where(source.short, unread.line)
        # A list may say what R, C, L, D, Q or M is; of a source or a sub-circuit it cannot.
        letter = unread.name.rsplit("_", 1)[-1][0].upper()
        model = {} if letter in "RCLDQM" else {"kind": "unmodelled", "pins": dict(unread.pins)}
        said = {"pins": where, "model": where}
        design.parts[unread.name] = DrawnPart(unread.name, pins=dict(unread.pins), model=model, said=said)
        design.remarks.append(f"{source.short}: {unread.says.removeprefix('netlist ')}")
    return design


def _drawn(source: Source, part: Part) -> DrawnPart:
    model = {"kind": part.kind, "pins": dict(part.pins), **_values(part)}
    where = Where(source.short, 0)
    return DrawnPart(part.name, pins=dict(part.pins), model=model, said={"pins": where})


def _values(part: Part) -> dict[str, object]:
    from wakeboard.instruments.virtual.circuit.parts import kind_of

    units = kind_of(part).values
    return {name: _text(units[name].unit, value) for name, value in part.values.items()}


def _text(unit: str, value: object) -> object:
    from wakeboard.harness.describe.board.from_netlist import quantity

    if not unit or isinstance(value, bool) or not isinstance(value, int | float):
        return value if isinstance(value, bool) else str(value)
    return quantity(float(value), unit)
