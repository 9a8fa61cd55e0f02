"""The language of SPICE netlists: lines, parameters, models, sub-circuits - not yet parts.

Follows the conventions that the ngspice manual describes: the first line is a title, `*` starts a comment line, `;` and
`$ ` a comment at a line's end, `+` continues a line, names are case-insensitive, `.end` ends the circuit. Expressions
stand in braces or single quotes; in `.param` they may stand bare.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from .errors import CircuitError, nearest


class NetlistError(CircuitError):
    """A netlist that cannot be read: names the line, what was found and what is allowed."""

    def __init__(self, message: str, line: int, parts: tuple[str, ...] = ()) -> None:
        super().__init__(f"netlist line {line}: {message}", parts)
        self.line = line


@dataclass(frozen=True)
class Line:
    """A logical line: its number (the first of a continued one), its words, its text without comments."""

    number: int
    words: tuple[str, ...]
    text: str = ""

    @property
    def head(self) -> str:
        return self.words[0].lower()

    def fail(self, message: str) -> NetlistError:
        return NetlistError(message, self.number, (self.words[0],) if self.words else ())


@dataclass(eq=False)
class Block:
    """The lines of one level: the netlist itself or a sub-circuit's body."""

    name: str = ""
    ports: tuple[str, ...] = ()
    defaults: dict[str, str] = field(default_factory=dict)
    elements: list[Line] = field(default_factory=list)
    params: list[tuple[Line, str, str]] = field(default_factory=list)
    models: dict[str, Model] = field(default_factory=dict)
    blocks: dict[str, Block] = field(default_factory=dict)
    outer: Block | None = None
    opened: int = 0

    def find_block(self, name: str) -> Block | None:
        return self.blocks.get(name) or (self.outer.find_block(name) if self.outer else None)

    def find_model(self, name: str) -> Model | None:
        return self.models.get(name) or (self.outer.find_model(name) if self.outer else None)

    def model_names(self) -> list[str]:
        return [*self.models, *(self.outer.model_names() if self.outer else [])]

    def block_names(self) -> list[str]:
        return [*self.blocks, *(self.outer.block_names() if self.outer else [])]


@dataclass(frozen=True)
class Model:
    """A `.model` line: its type in lower case and its parameters as written."""

    name: str
    type: str
    values: Mapping[str, str]
    line: Line


# Analyses, options and print requests belong to the program that runs a netlist, not to the circuit.
IGNORED: Final = frozenset(
    """.op .tran .dc .ac .noise .options .option .print .plot .probe .save .temp .ic .nodeset .width .four .meas
    .measure .title""".split()  # noqa: SIM905
)  # fmt: skip
REFUSED: Final = {
    ".include": "put the file's lines into the netlist",
    ".inc": "put the file's lines into the netlist",
    ".lib": "put the models into the netlist",
    ".if": "write the wanted branch",
    ".func": "write the expression out",
    ".global": "name the net as a port of each sub-circuit",
}
KNOWN: Final = (".model", ".subckt", ".ends", ".param", ".end", ".control", *IGNORED)
PIECE: Final = re.compile(r"\{[^}]*\}|'[^']*'|\"[^\"]*\"|[^\s,()={}'\"]+|[()={}'\"]")
ASSIGNED: Final = re.compile(r"([A-Za-z_]\w*)\s*=\s*(\{[^}]*\}|'[^']*'|.*?)(?=\s+[A-Za-z_]\w*\s*=|\s*$)", re.ASCII)


# --- lines ------------------------------------------------------------------------------------------------------------
def logical_lines(text: str) -> list[Line]:
    """Continued lines joined, comments gone, title dropped, split into words; `a = b` becomes one word `a=b`."""
    joined: list[tuple[int, str]] = []
    for index, raw in enumerate(re.split(r"\r\n|\r|\n", text), 1):
        if index == 1:
            continue
        bare = re.split(r";|\$\s", raw, maxsplit=1)[0].strip()
        if not bare or bare.startswith("*"):
            continue
        if bare.startswith("+"):
            if not joined:
                raise NetlistError("a continuation line `+` continues nothing", index)
            joined[-1] = (joined[-1][0], joined[-1][1] + " " + bare[1:])
        else:
            joined.append((index, bare))
    return [Line(at, _words(line, at), line) for at, line in joined]


def _words(text: str, at: int) -> tuple[str, ...]:
    words: list[str] = []
    pieces = PIECE.findall(text)
    index = 0
    while index < len(pieces):
        piece = pieces[index]
        if piece in "{}'\"":
            raise NetlistError(f"{piece} without its partner in {text!r}", at, tuple(words[:1]))
        if piece == "=" and words and index + 1 < len(pieces):
            words[-1] = f"{words[-1]}={pieces[index + 1]}"
            index += 1
        elif piece not in "()":
            words.append(piece)
        index += 1
    return tuple(words) or ("",)


def split_assignments(words: tuple[str, ...]) -> tuple[list[str], dict[str, str]]:
    """Plain words, and the `name=value` ones by lower-case name."""
    plain = [word for word in words if "=" not in word]
    named = dict(word.split("=", 1) for word in words if "=" in word)
    return plain, {name.lower(): value for name, value in named.items()}


# --- blocks -----------------------------------------------------------------------------------------------------------
def read_blocks(text: str) -> Block:
    """A netlist's lines sorted into elements, parameters, models and sub-circuits. Raises NetlistError."""
    stack = [Block()]
    skipping = False
    for line in logical_lines(text):
        head = line.head
        if head in (".control", ".endc"):
            skipping = head == ".control"
        elif skipping or head in IGNORED or not head:
            continue
        elif head == ".end":
            break
        elif head.startswith("."):
            _directive(line, stack)
        else:
            stack[-1].elements.append(line)
    if len(stack) > 1:
        raise NetlistError(f".subckt {stack[-1].name} has no .ends", stack[-1].opened)
    return stack[0]


def _directive(line: Line, stack: list[Block]) -> None:
    head = line.head
    if head in REFUSED:
        raise line.fail(f"{head} is not read: {REFUSED[head]}")
    if head == ".subckt":
        stack.append(_open_block(line, stack[-1]))
    elif head == ".ends":
        if len(stack) == 1:
            raise line.fail(".ends without .subckt")
        stack.pop()
    elif head in (".param", ".params"):
        stack[-1].params += _assigned(line)
    elif head == ".model":
        model = _model(line)
        stack[-1].models[model.name] = model
    else:
        raise line.fail(f"unknown directive {line.words[0]}{nearest(head, KNOWN)}")


def _assigned(line: Line) -> list[tuple[Line, str, str]]:
    text = line.text[len(line.words[0]) :]
    found = [(line, match[1].lower(), match[2].strip()) for match in ASSIGNED.finditer(text)]
    if not found:
        raise line.fail(f"{line.words[0]} sets nothing; such as .param load=1k twice={{2*load}}")
    return found


def _open_block(line: Line, outer: Block) -> Block:
    plain, named = split_assignments(line.words[1:])
    plain = [word for word in plain if word.lower() not in ("params:", "params")]
    if not plain:
        raise line.fail(".subckt needs a name and its ports")
    block = Block(plain[0].lower(), tuple(plain[1:]), named, outer=outer, opened=line.number)
    outer.blocks[block.name] = block
    return block


def _model(line: Line) -> Model:
    plain, named = split_assignments(line.words[1:])
    if len(plain) < 2:
        raise line.fail(".model needs a name and a type")
    return Model(plain[0].lower(), plain[1].lower(), named, line)
