"""IPC-D-356, A and B: nets, part.pin, pads with places, access side, neighbours, outline, in records of fixed columns.

Columns from 1 (IPC-D-356A, as two real files and the notes of this project have them): 1-3 the kind of record, 4-17 the
net, 21-26 the part, 27 a dash, 28-31 the pin, 32 `M` for a point in the middle of a net, 33-38 drill, 39-41 side,
42-57 place, 58-71 size and rotation. Adjacency (379) and outline (389) are read as IPC-D-356B has them, from memory.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import Final

from wakeboard.harness.describe.problems import quoted
from wakeboard.harness.drawings.design import Design, Pad, Side, Where
from wakeboard.harness.drawings.source import Source, Trouble

from . import Options

WHAT: Final = "IPC-D-356"
INCH: Final = 25.4  # mm, exactly
NO_NET: Final = ("N/C", "NC", "")
_UNITS: Final = {"CUST 0": INCH / 1e4, "CUST 1": 1e-3, "CUST 2": INCH / 1e4, "CUST": INCH / 1e4, "SI": 1e-3}
_RECORD: Final = re.compile(r"^(?:[39][0-9]{2}|[0][0-9]{2}|[CP](?:\s|$))")
_PADS: Final = ("317", "327", "367", "307", "347")
_ALIAS: Final = re.compile(r"^[CP]\s+NNAME(\S+)\s+(\S+)")
_END: Final = re.compile(
    r"(?P<mid>M?) *(?:D *(?P<drill>[0-9]+) *(?P<plated>[PU ]?))? *A(?P<side>[0-9 ]{2})"
    r"X(?P<x>[-+ ]?[0-9 ]{1,6})Y(?P<y>[-+ ]?[0-9 ]{1,6})"
    r"(?:X(?P<w>[0-9 ]{1,4}))?(?:Y(?P<h>[0-9 ]{1,4}))?(?:R(?P<r>[0-9 ]{1,3}))?"
)
_OVERRUN: Final = re.compile(r"-(?P<pin>\S*?) *(?=M? *(?:D *[0-9]+ *[PU ]?)? *A[0-9 ]{2}X)")
_PAIR: Final = re.compile(r"X([-+]?[0-9]+)?Y([-+]?[0-9]+)?|X([-+]?[0-9]+)|Y([-+]?[0-9]+)")


def tells(source: Source) -> int:
    rows = [row for row in source.head.splitlines() if row.strip()][:60]
    records = sum(bool(_RECORD.match(row)) for row in rows)
    pads = sum(row[:3] in _PADS for row in rows)
    if not rows or records < 0.8 * len(rows):
        return 0
    return 95 if pads or any(row.startswith("P ") for row in rows) else 0


@dataclass
class _File:
    """What has been read so far."""

    source: Source
    trouble: Trouble
    design: Design = field(default_factory=Design)
    scale: float = INCH / 1e4
    radians: bool = False
    alias: dict[str, str] = field(default_factory=dict)
    layers: set[int] = field(default_factory=set)
    sides: list[tuple[Pad, int]] = field(default_factory=list)
    neighbour: str = ""


def read(source: Source, options: Options) -> Design:
    """Nets, pins and pads of the file. Raises FileProblems: units and records that are none, with line and column."""
    file = _File(source, Trouble(source))
    lines = source.lines
    _parameters(file, lines)
    for number, line in enumerate(lines, 1):
        kind = line[:3]
        if kind in _PADS:
            _pad(file, number, line, through=kind in ("317", "367"))
        elif kind in ("379", "079"):
            _neighbours(file, line)
        elif kind in ("389", "089"):
            _outline(file, line, goes_on=kind == "089")
        elif kind == "999":
            break
        elif line.strip() and not _RECORD.match(line):
            file.trouble.add(number, 1, quoted(line[:12].strip()), "a record, such as 317, 327, C or P")
    file.trouble.end()
    _name_sides(file)
    if not any(pad.net for pad in file.design.pads):
        raise source.wrong(1, 0, "no pad with a net", "records 317 and 327")
    return file.design


def _parameters(file: _File, lines: list[str]) -> None:
    """Units, title and long net names: they hold for the whole file, wherever they stand."""
    for number, line in enumerate(lines, 1):
        if line[:1] not in ("P", "C"):
            continue
        found = _ALIAS.match(line)
        if found:
            file.alias[found[1].casefold()] = file.alias["nname" + found[1].casefold()] = found[2]
        elif line.startswith("P"):
            _parameter(file, number, line)


def _parameter(file: _File, number: int, line: str) -> None:
    words = line[1:].split(maxsplit=1)
    if len(words) < 2:
        return
    key, rest = words[0].upper(), " ".join(words[1].upper().split())
    if key == "UNITS":
        if rest not in _UNITS:
            file.trouble.add(number, line.upper().index("UNITS") + 7, quoted(rest), "CUST 0, CUST 1, CUST 2 or SI")
        file.scale, file.radians = _UNITS.get(rest, INCH / 1e4), rest == "CUST 2"
    elif key in ("TITLE", "JOB") and (key == "TITLE" or not file.design.title):
        file.design.title = words[1].strip()


def _pad(file: _File, number: int, line: str, *, through: bool) -> None:
    if line[17:20].strip():
        file.trouble.add(
            number, 18, quoted(line[3:20].strip()), "a net of at most 14 characters (NNAME for longer ones)"
        )
        return
    place = _END.match(line, 31)
    reference, pin = line[20:26].strip(), line[27:31].strip()
    if place is None or line[26:27] not in ("-", " "):
        overrun = _OVERRUN.search(line, 20)
        place = _END.match(line, overrun.end()) if overrun else None
        if overrun is None or place is None:
            file.trouble.add(number, 32, quoted(line[31:57]), "side and place, such as A01X+012500Y+017465")
            return
        reference, pin = line[20 : overrun.start()].strip(), overrun["pin"]
    _keep(file, number, place, line[3:17].strip(), reference, pin, through=through)


def _keep(file: _File, number: int, place: re.Match[str], net: str, reference: str, pin: str, *, through: bool) -> None:
    net = "" if net.upper() in NO_NET else file.alias.get(net.casefold(), net)
    x, y = _number(place["x"]), _number(place["y"])
    if x is None or y is None:
        file.trouble.add(number, place.start("x") + 1, quoted(place["x"] + "Y" + place["y"]), "whole numbers")
        return
    via = reference.upper() == "VIA"
    turned = float(_number(place["r"] or "") or 0)
    pad = Pad(
        "" if via else reference,
        "" if via else pin,
        net,
        x * file.scale,
        y * file.scale,
        "both" if through else "",
        (_number(place["w"] or "") or 0) * file.scale,
        (_number(place["h"] or "") or _number(place["w"] or "") or 0) * file.scale,
        math.degrees(turned) if file.radians else turned,
        via,
    )
    layer = _number(place["side"]) or 0
    file.layers.add(layer)
    if layer and not through:
        file.sides.append((pad, layer))
    elif not layer:
        pad.side = "both"
    file.design.pads.append(pad)
    if reference and pin and not via:
        _pin(file, number, reference, pin, net)


def _pin(file: _File, number: int, reference: str, pin: str, net: str) -> None:
    part = file.design.part(reference)
    part.said.setdefault("pins", Where(file.source.short, number))
    if not net:
        return
    if part.pins.setdefault(pin, net) != net:
        file.trouble.add(number, 4, f"{reference}.{pin} on {quoted(net)}", f"{quoted(part.pins[pin])}, as further up")


def _name_sides(file: _File) -> None:
    """01 is the top, the highest number the bottom; what lies between reaches neither."""
    bottom = max(file.layers, default=2)
    names: dict[int, Side] = {1: "top"}
    if bottom > 1:
        names[bottom] = "bottom"
    for pad, layer in file.sides:
        pad.side = names.get(layer, "")


def _neighbours(file: _File, line: str) -> None:
    names = [file.alias.get(word.casefold(), word) for word in line[3:].split()]
    if line.startswith("379") and names:
        file.neighbour = names.pop(0)
    file.design.adjacent += [(file.neighbour, name) for name in names if file.neighbour and name != file.neighbour]


def _outline(file: _File, line: str, *, goes_on: bool) -> None:
    """The edge as one path; a coordinate that is left out stays as it was."""
    name = line[3:17].upper()
    if not goes_on and "BOARD" not in name and "EDGE" not in name:
        return
    paths = file.design.outline
    path: list[tuple[float, float]] = paths[-1] if goes_on and paths else []
    x, y = path[-1] if path else (0.0, 0.0)
    for match in _PAIR.finditer(line, 3 if goes_on else 17):
        if match[1] or match[3]:
            x = int(match[1] or match[3]) * file.scale
        if match[2] or match[4]:
            y = int(match[2] or match[4]) * file.scale
        path.append((x, y))
    if not (goes_on and paths) and path:
        paths.append(path)


def _number(text: str) -> int | None:
    tidy = text.replace(" ", "")
    try:
        return int(tidy)
    except ValueError:
        return None
