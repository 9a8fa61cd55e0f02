"""The board file that a drawing makes: tables with where each came from, and the text of them.

draft = drafted(design, "Skep", folder)
draft.text            board.toml, which `wakeboard check` takes as it stands
draft.tables          the same as plain tables: what a later drawing is held against
draft.places_to_fill  what a person still has to say, most useful first
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from wakeboard.harness.describe.problems import FileProblems, Problem
from wakeboard.harness.drawings.boardfile.proposal import Proposal, Row, proposed
from wakeboard.harness.drawings.design import Design
from wakeboard.harness.drawings.netnames import ground_of, is_rail
from wakeboard.harness.drawings.parts.book import Book
from wakeboard.harness.drawings.parts.kinds import PartLine, part_lines
from wakeboard.harness.drawings.parts.telling import MECHANICAL
from wakeboard.harness.drawings.places.geometry import Guide, neighbours, settle_places
from wakeboard.harness.drawings.references import split
from wakeboard.results.counted import count

_BARE: Final = re.compile(r"[A-Za-z0-9_-]+\Z")
_NOT_A_NET: Final = re.compile(r"[\s:=;,>]+")
_NOT_A_PART: Final = re.compile(r"[^A-Za-z0-9_+\-/#~\[\]]+")
FILL: Final = "FILL IN:"
_TITLES: Final = {
    "supplies": "where power enters: one table for each connector, cell or panel",
    "rails": "nets that should sit at a voltage",
    "lines": "control lines: reset, enables, straps, interrupts, buses",
    "points": "where a probe reaches the nets",
    "parts": "the parts",
}


@dataclass
class Draft:
    """What the drawing makes. `merged_ground`: other nets named like ground are left as they are."""

    name: str
    ground: str
    design: Design
    parts: dict[str, PartLine]
    proposal: Proposal
    adjacent: list[tuple[str, str]] = field(default_factory=list)

    @property
    def tables(self) -> dict[str, dict[str, Any]]:
        """Every active table by section and name."""
        rows = {key: getattr(self.proposal, key) for key in ("supplies", "rails", "lines", "points")}
        found: dict[str, dict[str, object]] = {
            key: {row.name: row.table for row in table if row.active} for key, table in rows.items()
        }
        found["board"] = {"adjacent": [list(pair) for pair in self.adjacent]}
        found["parts"] = {line.name: line.table for line in self.parts.values() if line.fitted}
        return found

    @property
    def places_to_fill(self) -> list[tuple[str, str]]:
        """(where, what) of everything that a person still has to say: supplies, what feeds rails, the rest."""
        rows = [(f"{key}.{row.name}", row.fill) for key in ("supplies", "rails") for row in getattr(self.proposal, key)
                if row.fill and (row.active or key == "supplies")]  # fmt: skip
        lines = sorted((line for line in self.parts.values() if line.fill and line.fitted), key=_worth)
        return [*rows, *((f"parts.{line.name}", line.fill) for line in lines)]

    def counts(self) -> dict[str, int]:
        """Parts in all, those with a model, those that need none, and places to fill in."""
        fitted = [line for line in self.parts.values() if line.fitted]
        return {
            "parts": len(fitted),
            "modelled": sum(line.kind != "unmodelled" for line in fitted),
            "harmless": sum(line.kind == "unmodelled" and line.harmless for line in fitted),
            "not_fitted": len(self.parts) - len(fitted),
            "nets": len({net for line in fitted for net in line.nets}),
            "places": len(self.places_to_fill),
        }

    @property
    def text(self) -> str:
        return "\n".join([*self._head(), *self._rows(), *self._part_rows(), ""])

    def _head(self) -> list[str]:
        used = [f"#   {Path(file).name}: {what}" for file, what in self.design.used]
        return [
            "# The board, begun by `wakeboard new` from its drawing. `wakeboard check` says what is left to do.",
            f'# Behind each table stands where it came from. "{FILL}" is what only a person can say; what is behind #',
            "# is likely but not certain, or not fitted: take the # away where it is right. What you write stays when",
            "# the drawing is read again.",
            *used,
            *(f"# {_plain(remark)}" for remark in self.design.remarks),
            "",
            "[board]",
            f"name = {toml(self.name)}",
            'revision = "A"                # ' + FILL + " the revision",
            f"ground = {toml(self.ground)}",
            *adjacent_lines(self.adjacent),
        ]

    def _rows(self) -> list[str]:
        lines: list[str] = []
        for key in ("supplies", "rails", "lines", "points"):
            rows: list[Row] = getattr(self.proposal, key)
            if rows:
                lines += ["", f"# --- {_TITLES[key]} ".ljust(119, "-")]
            lines += [f"[{key}]"] if key == "points" and any(row.active for row in rows) else []
            for row in rows:
                lines += point_line(row) if key == "points" else table_lines(key, row)
        return lines

    def _part_rows(self) -> list[str]:
        lines = ["", f"# --- {_TITLES['parts']} ".ljust(119, "-"), "[parts]"]
        chips = [line for line in self.parts.values() if line.fitted and _is_nested(line)]
        for letters, group in _grouped(line for line in self.parts.values() if line not in chips):
            lines += ["", f"# {letters}"]
            for line in group:
                lines += part_rows(line)
        for line in chips:
            lines += ["", *chip_rows(line)]
        return lines


def drafted(design: Design, name: str, folder: Path | None = None) -> Draft:
    """Raises FileProblems for a drawing that makes no board, and for a part book that cannot be read."""
    tidy_names(design)
    ground = ground_of(design.nets())
    if not ground:
        ground = _ground_or_refuse(design)
    design.remarks += settle_places(design)
    parts = part_lines(design, Book.beside(folder), ground)
    if not any(line.fitted for line in parts.values()):
        file = design.used[0][0] if design.used else name
        raise FileProblems(
            [Problem(file, 0, "", "no part with pins on nets", "a netlist: IPC-D-356, IPC-2581, EDIF …")]
        )
    lost = [part.name for part in design.parts.values() if not part.pins and split(part.name)[0] not in MECHANICAL]
    if lost:
        some = ", ".join(lost[:8]) + (" …" if len(lost) > 8 else "")
        design.remarks.append(f"left out, without a pin on any net: {count(len(lost), 'part')} of the lists, {some}")
    guide = Guide(design)
    proposal = proposed(design, parts, ground, guide)
    on_parts = {net for line in parts.values() if line.fitted for net in line.nets} | {ground}
    pairs = dict.fromkeys([*design.adjacent, *neighbours(design)])
    adjacent = [pair for pair in pairs if set(pair) <= on_parts]
    _places(parts, guide)
    _let_be_solved(parts, ground)
    return Draft(name, ground, design, parts, proposal, adjacent)


def _ground_or_refuse(design: Design) -> str:
    """Without a net named like ground: that with most pins, if it is clearly the one."""
    nets = design.nets()
    sizes = sorted(((len(pins), net) for net, pins in nets.items()), reverse=True)
    if not sizes:
        file = design.used[0][0] if design.used else ""
        raise FileProblems([Problem(file, 0, "", "no pin on any net", "a netlist: IPC-D-356, IPC-2581, EDIF, SPICE")])
    design.remarks.append(
        f"no net is named GND or the like: {sizes[0][1]}, with the most pins, was taken as zero volts"
    )
    return sizes[0][1]


def tidy_names(design: Design) -> None:
    """Names of nets and parts as a board file takes them; what is renamed is told."""
    nets = {net: _NOT_A_NET.sub("_", net) for net in design.nets()} | {
        pad.net: _NOT_A_NET.sub("_", pad.net) for pad in design.pads if pad.net
    }
    changed = [net for net, new in nets.items() if net != new]
    if changed:
        design.remarks.append(
            f"nets renamed, for a board file has no blanks or : = ; , > in them: {', '.join(changed[:5])}"
        )
    for part in design.parts.values():
        part.pins = {pin: nets[net] for pin, net in part.pins.items()}
    for pad in design.pads:
        pad.net = nets.get(pad.net, pad.net)
    design.adjacent = [(nets.get(a, a), nets.get(b, b)) for a, b in design.adjacent]
    for name in [name for name in design.parts if _NOT_A_PART.search(name)]:
        part = design.parts.pop(name)
        part.name = _NOT_A_PART.sub("_", name)
        design.parts[part.name] = part


def _places(parts: Mapping[str, PartLine], guide: Guide) -> None:
    for line in parts.values():
        place = guide.part(line.name)
        if place:
            line.table["place"] = place


def _let_be_solved(parts: Mapping[str, PartLine], ground: str) -> None:
    """Nets that only connectors reach, or only capacitors beside them, have no voltage of their own: those connectors
    leak, and say so."""
    from wakeboard.harness.describe.board.parts import read_parts
    from wakeboard.harness.describe.toml.document import Document
    from wakeboard.instruments.virtual.circuit import Circuit, CircuitError
    from wakeboard.instruments.virtual.circuit.solver.topology import check

    _leak(parts, _connectors_only(parts))
    document = Document("", data={"parts": {line.name: line.table for line in parts.values() if line.fitted}})
    board_parts, _ = read_parts(document)
    if document.problems:
        return
    try:
        check(Circuit(board_parts.values(), ground))
    except CircuitError as error:
        _leak(parts, {net for name in error.parts for net in board_parts[name].pins.values()})


def _connectors_only(parts: Mapping[str, PartLine]) -> set[str]:
    kinds: dict[str, set[str]] = {}
    for line in parts.values():
        for net in line.nets if line.fitted else ():
            kinds.setdefault(net, set()).add(line.kind)
    return {net for net, found in kinds.items() if found == {"connector"}}


def _leak(parts: Mapping[str, PartLine], nets: set[str]) -> None:
    for line in parts.values():
        if line.kind == "connector" and set(line.nets) & nets and "leak_ohms" not in line.table:
            line.table["leak_ohms"] = "1 GΩ"
            line.origin += "; 1 GΩ to ground lets nets be solved that nothing else holds"


def _worth(line: PartLine) -> tuple[int, int, str]:
    """What feeds rails first: parts on several rails, then those with many pins."""
    return (-len({net for net in line.nets if is_rail(net)}), -len(line.nets), line.name)


def _grouped(lines: Iterable[PartLine]) -> list[tuple[str, list[PartLine]]]:
    groups: dict[str, list[PartLine]] = {}
    for line in sorted(lines, key=lambda line: natural(line.name)):
        groups.setdefault(split(line.name)[0], []).append(line)
    return list(groups.items())


def natural(name: str) -> tuple[object, ...]:
    """R2 before R10."""
    return tuple((0, int(text), "") if text.isdigit() else (1, 0, text) for text in re.split(r"([0-9]+)", name) if text)


# --- text -----------------------------------------------------------------------------------------------------------
def toml(value: object) -> str:
    """A value as TOML writes it on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return (
            "{ " + ", ".join(f"{key_of(key)} = {toml(each)}" for key, each in value.items()) + " }" if value else "{}"
        )
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml(each) for each in value) + "]"
    if isinstance(value, int | float):
        return str(value)
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")


def key_of(name: str) -> str:
    return name if _BARE.match(name) else toml(name)


def _plain(text: str) -> str:
    """Text for a comment: one line, no control characters."""
    return "".join(each if each.isprintable() else " " for each in " ".join(text.split()))


def comment(origin: str, fill: str = "") -> str:
    text = "; ".join(filter(None, [f"{FILL} {fill}" if fill else "", origin]))
    return f"  # {_plain(text)}" if text else ""


def adjacent_lines(pairs: list[tuple[str, str]]) -> list[str]:
    if not pairs:
        return []
    lines = ["# Nets with pads side by side, where solder could bridge them: `rehearse` tries each.", "adjacent = ["]
    row = "   "
    for pair in pairs:
        text = f" {toml(list(pair))},"
        if len(row) + len(text) > 119:
            lines.append(row)
            row = "   "
        row += text
    return [*lines, row, "]"]


def table_lines(key: str, row: Row) -> list[str]:
    """[key.NAME] and its keys, as comments where it is only likely."""
    lines = [f"[{key}.{key_of(row.name)}]{comment(row.origin, row.fill)}"]
    lines += [f"{key_of(word)} = {toml(value)}" for word, value in row.table.items()]
    return [*(lines if row.active else [f"# {line}" for line in lines]), ""]


def point_line(row: Row) -> list[str]:
    line = f"{key_of(row.name)} = {toml(row.table)}{comment(row.origin, row.fill)}"
    return [line if row.active else f"# {line}"]


def part_rows(line: PartLine) -> list[str]:
    """One line; a chip's pins as a table of their own behind the others."""
    table = {key: value for key, value in line.table.items() if value != {}}
    text = f"{key_of(line.name)} = {toml(table)}{comment(line.origin, line.fill)}"
    return [text if line.fitted else f"# {text}; not fitted"]


def _is_nested(line: PartLine) -> bool:
    return isinstance(line.table.get("io"), dict)


def chip_rows(line: PartLine) -> list[str]:
    """A chip: a table of its own, and one for its pins."""
    flat = {key: value for key, value in line.table.items() if key != "io"}
    name = key_of(line.name)
    lines = [f"[parts.{name}]{comment(line.origin, line.fill)}"]
    lines += [f"{key_of(key)} = {toml(value)}" for key, value in flat.items()]
    if line.table["io"]:
        lines.append(f"[parts.{name}.io]")
        notes = line.notes
        lines += [f"{key_of(pin)} = {toml(row)}{comment(notes.get(pin, ''))}" for pin, row in line.table["io"].items()]
    return lines
