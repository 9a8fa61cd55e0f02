"""The language of SPICE netlists: lines, parameters, models, sub-circuits - not yet parts.

Follows the conventions that the ngspice manual describes: the first line is a title, `*` starts a comment line, `;` and
`$ ` a comment at a line's end, `+` continues a line, names are case-insensitive, `.end` ends the circuit. Expressions
stand in braces or single quotes; in `.param` they may stand bare.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from wakeboard.instruments.virtual.circuit.errors import CircuitError, nearest


class NetlistError(CircuitError):
    """A netlist that cannot be read: names the line, what was found and what is allowed.

    all: every problem of the netlist, where there are several; line: that of the first.
    """

    def __init__(self, message: str, line: int, parts: tuple[str, ...] = ()) -> None:
        super().__init__(f"netlist line {line}: {message}", parts)
        self.line = line
        self.all: tuple[NetlistError, ...] = (self,)

    @classmethod
    def together(cls, problems: Iterable[NetlistError]) -> NetlistError:
        """One error that tells all of them, by line."""
        by_text = {str(each): each for one in problems for each in one.all}
        found = sorted(by_text.values(), key=lambda each: each.line)
        if len(found) == 1:
            return found[0]
        whole = cls("", found[0].line, tuple(dict.fromkeys(part for each in found for part in each.parts)))
        whole.args = ("\n".join(map(str, found)),)
        whole.all = tuple(found)
        return whole


class SpareLineError(NetlistError):
    """A line that is not read and that no other stands or falls with, but for the elements that name what it brings."""


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
    problems: list[NetlistError] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)

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


# Analyses, options and print requests belong to the program that runs a netlist, not to the circuit: listed, not used.
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
BRINGING: Final = (".include", ".inc", ".lib")
KNOWN: Final = (".model", ".subckt", ".ends", ".param", ".end", ".control", *IGNORED)
COMMA: Final = re.compile(r"(?<![\w.])[0-9]+,[0-9]\w*", re.ASCII)
PIECE: Final = re.compile(r"\{[^}]*\}|'[^']*'|\"[^\"]*\"|[^\s,()={}'\"]+|[()={}'\"]")
ASSIGNED: Final = re.compile(r"([A-Za-z_]\w*)\s*=\s*(\{[^}]*\}|'[^']*'|.*?)(?=\s+[A-Za-z_]\w*\s*=|\s*$)", re.ASCII)


# --- lines ------------------------------------------------------------------------------------------------------------
def logical_lines(text: str, problems: list[NetlistError]) -> list[Line]:
    """Continued lines joined, comments gone, title dropped, split into words; `a = b` becomes one word `a=b`.

    What is wrong with a line goes to `problems`.
    """
    joined: list[tuple[int, str]] = []
    for index, raw in enumerate(re.split(r"\r\n|\r|\n", text), 1):
        if index == 1:
            continue
        bare = re.split(r";|\$\s", raw, maxsplit=1)[0].strip()
        if not bare or bare.startswith("*"):
            continue
        if bare.startswith("+"):
            if not joined:
                problems.append(NetlistError("a continuation line `+` continues nothing", index))
                continue
            joined[-1] = (joined[-1][0], joined[-1][1] + " " + bare[1:])
        else:
            joined.append((index, bare))
    lines: list[Line] = []
    for at, line in joined:
        try:
            lines.append(Line(at, _words(line, at), line))
        except NetlistError as error:
            problems.append(error)
    return lines


def decimal_comma(text: str) -> str:
    """A number with a comma in it that stands outside braces, quotes and brackets; "" where there is none."""
    found = COMMA.search(re.sub(r"\{[^}]*\}|'[^']*'|\"[^\"]*\"|\([^)]*\)", " ", text))
    return found[0] if found else ""


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
    """A netlist's lines sorted into elements, parameters, models and sub-circuits.

    What is wrong with them, and what belongs to the program that runs a netlist, stands in the block that is returned.
    """
    top = Block()
    stack, skipping = [top], False
    _title(text, top)
    lines = logical_lines(text, top.problems)
    for place, line in enumerate(lines):
        head = line.head
        if head in (".control", ".endc"):
            skipping = head == ".control"
            top.left_out += [f"line {line.number}: a .control block, up to .endc"] if skipping else []
        elif skipping or not head:
            continue
        elif head == ".end":
            top.left_out += [f"line {lines[place + 1].number}: what stands after .end"] if lines[place + 1 :] else []
            break
        elif head in IGNORED:
            top.left_out.append(f"line {line.number}: {line.text}")
        else:
            _sort(line, stack, top)
    top.problems += [NetlistError(f".subckt {each.name} has no .ends", each.opened) for each in stack[1:]]
    return top


def _title(text: str, top: Block) -> None:
    """The first line is the title, also where it looks like a part: worth a word then."""
    words = re.split(r"\r\n|\r|\n", text, maxsplit=1)[0].split()
    head = words[0].lower() if words else ""
    if head in KNOWN or (re.fullmatch(r"[rclvidqmx]\w*[0-9]\w*", head) and len(words) >= 4):
        top.left_out.append(f"line 1: the title is {' '.join(words)!r}, which is not read as a part")


def _sort(line: Line, stack: list[Block], top: Block) -> None:
    try:
        if line.head.startswith("."):
            _directive(line, stack, top)
            return
        stack[-1].elements.append(line)
    except NetlistError as error:
        top.problems.append(error)


def _directive(line: Line, stack: list[Block], top: Block) -> None:
    head = line.head
    if head in REFUSED:
        problem = SpareLineError if head in BRINGING else NetlistError
        raise problem(f"{head} is not read: {REFUSED[head]}", line.number, (line.words[0],))
    if head == ".subckt":
        stack.append(_open_block(line, stack[-1]))
    elif head == ".ends":
        if len(stack) == 1:
            raise line.fail(".ends without .subckt")
        stack.pop()
    elif head in (".param", ".params"):
        for found in _assigned(line):
            for earlier, name, text in stack[-1].params:
                if name == found[1]:
                    top.left_out.append(f"line {earlier.number}: {name}={text}, set again in line {line.number}")
            stack[-1].params = [*(each for each in stack[-1].params if each[1] != found[1]), found]
    elif head == ".model":
        model = _model(line)
        before = stack[-1].models.get(model.name)
        if before is not None:
            raise line.fail(f".model {model.name} stands twice, first in line {before.line.number}")
        stack[-1].models[model.name] = model
    else:
        raise SpareLineError(f"unknown directive {line.words[0]}{nearest(head, KNOWN)}", line.number, (line.words[0],))


def _assigned(line: Line) -> list[tuple[Line, str, str]]:
    text = line.text[len(line.words[0]) :]
    found = [(line, match[1].lower(), match[2].strip()) for match in ASSIGNED.finditer(text)]
    comma = decimal_comma(text)
    if comma:
        raise line.fail(f"{comma!r} has a comma; use a point for decimals")
    if not found or ASSIGNED.sub("", text).strip():
        raise line.fail(f"{line.words[0]} sets nothing; such as .param load=1k twice={{2*load}}")
    return found


def _open_block(line: Line, outer: Block) -> Block:
    plain, named = split_assignments(line.words[1:])
    plain = [word for word in plain if word.lower() not in ("params:", "params")]
    if not plain:
        raise line.fail(".subckt needs a name and its ports")
    before = outer.blocks.get(plain[0].lower())
    if before is not None:
        raise line.fail(f".subckt {before.name} stands twice, first in line {before.opened}")
    block = Block(plain[0].lower(), tuple(plain[1:]), named, outer=outer, opened=line.number)
    outer.blocks[block.name] = block
    return block


def _model(line: Line) -> Model:
    plain, named = split_assignments(line.words[1:])
    if len(plain) < 2:
        raise line.fail(".model needs a name and a type")
    comma = decimal_comma(line.text)
    if comma:
        raise line.fail(f"{comma!r} has a comma; use a point for decimals")
    if len(plain) > 2:
        raise line.fail(f"{' '.join(plain[2:])!r} has no meaning in a .model line")
    return Model(plain[0].lower(), plain[1].lower(), named, line)
