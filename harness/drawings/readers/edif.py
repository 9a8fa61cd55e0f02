"""EDIF 2 0 0 netlists: instances with their properties, nets with the ports that they join.

    (edif NAME (edifVersion 2 0 0) (library … (cell … (view … (interface (port …)) (contents (instance …) (net …))))))

The contents of the design's top cell are read; a cell inside it that has instances of its own is told, not flattened.
Structure as EIA-548 has it, from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

from wakeboard.harness.describe.problems import quoted
from wakeboard.harness.drawings.design import Design, DrawnPart, Where
from wakeboard.harness.drawings.source import Source

from . import Options

WHAT: Final = "EDIF 2 0 0"
_TOKEN: Final = re.compile(r'\s+|[()]|"[^"]*"?|[^\s()"]+')
MOST_DEPTH: Final = 500  # a bound on input, below the thousand calls that Python's stack bears
_VALUES: Final = ("value", "val", "comment")
_NUMBERS: Final = ("mpn", "part_number", "partnumber", "manufacturer_part_number", "part_no")
_FOOTPRINTS: Final = ("footprint", "pcb_footprint", "package", "jedec_type")
_REFERENCES: Final = ("reference", "refdes", "designator", "part_reference", "ref")


@dataclass
class Node:
    """(word item item …) with the line and column where it opens."""

    line: int
    column: int
    items: list[Node | str] = field(default_factory=list)

    @property
    def word(self) -> str:
        return self.items[0].casefold() if self.items and isinstance(self.items[0], str) else ""

    def nodes(self, word: str) -> Iterator[Node]:
        return (item for item in self.items if isinstance(item, Node) and item.word == word)

    def first(self, word: str) -> Node | None:
        return next(self.nodes(word), None)

    def texts(self) -> list[str]:
        return [item for item in self.items[1:] if isinstance(item, str)]


def tells(source: Source) -> int:
    return 96 if re.match(r"\s*\(\s*edif\b", source.head, re.IGNORECASE) else 0


def read(source: Source, options: Options) -> Design:
    """Raises FileProblems with line and column for brackets that do not close and for a file without contents."""
    root = _tree(source)
    cells = {_key(cell): cell for library in _libraries(root) for cell in library.nodes("cell")}
    top = _top(root, cells)
    if top is None:
        raise source.wrong(1, 1, "no cell with contents", "(contents (instance …) (net …))")
    design = Design()
    for contents in _contents(top):
        names = {_key(node): _instance(source, design, node, cells) for node in contents.nodes("instance")}
        for net in contents.nodes("net"):
            _net(source, design, net, names, cells)
    if not any(part.pins for part in design.parts.values()):
        raise source.wrong(top.line, top.column, "a top cell whose nets join no ports", "(net N (joined (portRef …)))")
    return design


# --- text -----------------------------------------------------------------------------------------------------------
def _tree(source: Source) -> Node:
    stack: list[Node] = []
    line, start = 1, 0
    for match in _TOKEN.finditer(source.text):
        text = match[0]
        column = match.start() - start + 1
        if text == "(":
            stack.append(Node(line, column))
            if len(stack) > MOST_DEPTH:
                raise source.wrong(line, column, f"brackets {MOST_DEPTH} deep", "EDIF that a program writes")
        elif text == ")":
            if not stack:
                raise source.wrong(line, column, "a bracket that closes nothing", "(edif …)")
            node = stack.pop()
            if not stack:
                return node
            stack[-1].items.append(node)
        elif not text.isspace() and stack:
            stack[-1].items.append(text.strip('"') if text.startswith('"') else text)
        if "\n" in text:
            line += text.count("\n")
            start = match.start() + text.rindex("\n") + 1
    if stack:
        raise source.wrong(stack[-1].line, stack[-1].column, "a bracket that never closes", "a whole file")
    raise source.wrong(1, 1, "no bracket", "(edif …)")


def _named(node: Node) -> tuple[str, str]:
    """(key, name) of a node: (rename KEY "name"), (array …) or a plain word."""
    item = node.items[1] if len(node.items) > 1 else ""
    if isinstance(item, Node):
        texts = item.texts()
        if item.word == "rename" and len(texts) >= 2:
            return texts[0], texts[1]
        inner = _named(item) if item.word == "array" else ("", "")
        return (texts[0], texts[0]) if texts else inner
    return item, item.lstrip("&")


def _key(node: Node) -> str:
    return _named(node)[0].casefold()


# --- structure ------------------------------------------------------------------------------------------------------
def _libraries(root: Node) -> list[Node]:
    return [*root.nodes("library"), *root.nodes("external")]


def _contents(cell: Node) -> Iterator[Node]:
    for view in cell.nodes("view"):
        yield from view.nodes("contents")


def _top(root: Node, cells: dict[str, Node]) -> Node | None:
    design = root.first("design")
    reference = design.first("cellref") if design else None
    named = cells.get(reference.texts()[0].casefold()) if reference and reference.texts() else None
    if named is not None and any(_contents(named)):
        return named
    filled = [cell for cell in cells.values() if any(each.first("net") for each in _contents(cell))]
    return max(filled, key=lambda cell: sum(len(each.items) for each in _contents(cell)), default=None)


def _properties(node: Node | None) -> dict[str, str]:
    found: dict[str, str] = {}
    for prop in node.nodes("property") if node else ():
        value = next((item for item in prop.items[2:] if isinstance(item, Node)), None)
        texts = value.texts() if value else prop.texts()[1:]
        found[_named(prop)[1].casefold()] = texts[0] if texts else ""
    return found


def _instance(source: Source, design: Design, node: Node, cells: dict[str, Node]) -> tuple[str, str]:
    """(reference, key of its cell)."""
    told, cell = _properties(node), _cell_of(node)
    designator = node.first("designator")
    own = designator.texts()[:1] if designator else []
    name = (own or [told[key] for key in _REFERENCES if told.get(key)] or [_named(node)[1]])[0]
    if cell in cells and any(each.first("instance") for each in _contents(cells[cell])):
        design.remarks.append(f"{name} is a block with parts of its own (line {node.line}): they are not read")
    inherited = {**_properties(cells.get(cell)), **told}
    part = design.parts.setdefault(name, DrawnPart(name))
    where = Where(source.short, node.line)
    part.said.update(pins=where, value=where, number=where)
    part.value = next((inherited[key] for key in _VALUES if inherited.get(key)), "")
    part.number = next((inherited[key] for key in _NUMBERS if inherited.get(key)), "")
    part.footprint = next((inherited[key] for key in _FOOTPRINTS if inherited.get(key)), "")
    part.description = inherited.get("description", "")
    if not part.value and cell and split_letters(name) not in ("R", "C", "L"):
        part.value = _named(cells[cell])[1] if cell in cells else cell
    return name, cell


def split_letters(name: str) -> str:
    return re.split(r"[^A-Za-z]", name, maxsplit=1)[0].upper()


def _cell_of(node: Node) -> str:
    view = node.first("viewref")
    reference = (view.first("cellref") if view else None) or node.first("cellref")
    return reference.texts()[0].casefold() if reference and reference.texts() else ""


def _port(cells: dict[str, Node], cell: str, key: str) -> tuple[str, str]:
    """(pin number, name) of a port: its designator where it has one."""
    found = cells.get(cell)
    for view in found.nodes("view") if found else ():
        for interface in view.nodes("interface"):
            for port in interface.nodes("port"):
                if _key(port) == key.casefold():
                    designator, name = port.first("designator"), _named(port)[1]
                    told = designator.texts() if designator else []
                    return (told[0] if told else name), name
    return key.lstrip("&"), key.lstrip("&")


def _net(source: Source, design: Design, net: Node, names: dict[str, tuple[str, str]], cells: dict[str, Node]) -> None:
    _, label = _named(net)
    for joined in net.nodes("joined"):
        for reference in joined.nodes("portref"):
            at = reference.first("instanceref")
            texts = at.texts() if at else []
            if not texts:
                continue  # a port of the top cell itself
            if texts[0].casefold() not in names:
                raise source.wrong(
                    reference.line, reference.column, f"the instance {quoted(texts[0])}", "one of this cell"
                )
            name, cell = names[texts[0].casefold()]
            number, pin_name = _port(cells, cell, _named(reference)[0])
            part = design.parts[name]
            if part.pins.setdefault(number, label) != label:
                allowed = f"{quoted(part.pins[number])}, as further up"
                raise source.wrong(reference.line, reference.column, f"{name}.{number} on {quoted(label)}", allowed)
            if pin_name != number:
                part.pin_names[number] = pin_name
