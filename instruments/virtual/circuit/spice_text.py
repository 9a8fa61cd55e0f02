"""The language of SPICE netlists: lines, numbers, parameters, models, sub-circuits - not yet parts.

Follows the conventions that the ngspice manual describes: the first line is a title, `*` starts a comment line, `;` and
`$ ` a comment at a line's end, `+` continues a line, names are case-insensitive, numbers take the suffixes
T G MEG K MIL M U N P F and ignore any letters after them. Expressions stand in braces or single quotes.
"""

from __future__ import annotations

import ast
import math
import operator
import re
from collections.abc import Callable, Mapping
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
    """A logical line: its number in the text (the first of a continued one) and its words."""

    number: int
    words: tuple[str, ...]

    @property
    def head(self) -> str:
        return self.words[0].lower()

    def fail(self, message: str) -> NetlistError:
        return NetlistError(message, self.number, (self.words[0],) if self.words else ())


@dataclass
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

    def find_block(self, name: str) -> Block | None:
        return self.blocks.get(name) or (self.outer.find_block(name) if self.outer else None)

    def find_model(self, name: str) -> Model | None:
        return self.models.get(name) or (self.outer.find_model(name) if self.outer else None)

    def model_names(self) -> list[str]:
        return [*self.models, *(self.outer.model_names() if self.outer else [])]


@dataclass(frozen=True)
class Model:
    """A `.model` line: its type in lower case and its parameters as written."""

    name: str
    type: str
    values: Mapping[str, str]
    line: Line


SUFFIXES: Final = {
    "meg": 1e6, "mil": 25.4e-6, "t": 1e12, "g": 1e9, "k": 1e3, "m": 1e-3, "u": 1e-6, "µ": 1e-6,
    "n": 1e-9, "p": 1e-12, "f": 1e-15,
}  # fmt: skip
NUMBER: Final = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?)(meg|mil|[tgkmuµnpf])?[a-zµΩω%]*$", re.IGNORECASE)
# Analyses, options and print requests belong to the program that runs a netlist, not to the circuit.
IGNORED: Final = frozenset(
    """.op .tran .dc .ac .noise .options .option .print .plot .probe .save .end .temp .ic .nodeset .width .four .meas
    .measure .title""".split()  # noqa: SIM905
)  # fmt: skip
REFUSED: Final = {
    ".include": "put the file's lines into the netlist",
    ".inc": "put the file's lines into the netlist",
    ".lib": "put the models into the netlist",
    ".if": "write the wanted branch",
    ".func": "write the expression out",
}


def number(word: str) -> float | None:
    """A SPICE number ("4k7" is not one; "2.2k", "10uF", "1MEG" are), or None."""
    match = NUMBER.match(word)
    if not match:
        return None
    return float(match[1]) * SUFFIXES.get((match[2] or "").lower(), 1.0)


# --- expressions ------------------------------------------------------------------------------------------------------
OPERATORS: Final[dict[type[ast.AST], Callable[..., float]]] = {
    ast.Add: operator.add, ast.Sub: operator.sub, ast.Mult: operator.mul, ast.Div: operator.truediv,
    ast.Pow: operator.pow, ast.USub: operator.neg, ast.UAdd: operator.pos,
}  # fmt: skip
FUNCTIONS: Final[dict[str, Callable[..., float]]] = {
    "sqrt": math.sqrt, "exp": math.exp, "ln": math.log, "log": math.log, "log10": math.log10, "abs": abs,
    "min": min, "max": max, "sin": math.sin, "cos": math.cos, "tan": math.tan, "atan": math.atan,
}  # fmt: skip
WORD: Final = re.compile(r"[A-Za-z_]\w*|(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?[A-Za-zµ]*|\*\*|\S")


def evaluate(text: str, names: Mapping[str, float], line: Line) -> float:
    """The value of an expression over parameters; NetlistError when it has none."""
    words = []
    for word in WORD.findall(text):
        value = number(word) if word[0].isdigit() or word[0] == "." else None
        words.append(repr(value) if value is not None else "**" if word == "^" else word.lower())
    try:
        tree = ast.parse(" ".join(words), mode="eval")
        return float(_value(tree.body, names, line))
    except NetlistError:
        raise
    except (SyntaxError, ArithmeticError, ValueError, TypeError, RecursionError, MemoryError) as error:
        raise line.fail(f"no value in expression {text!r}: {error}") from error


def _value(node: ast.AST, names: Mapping[str, float], line: Line) -> float:
    if isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        return float(node.value)
    if isinstance(node, ast.Name):
        if node.id == "pi":
            return math.pi
        if node.id not in names:
            raise line.fail(f"no parameter {node.id!r}{nearest(node.id, names)}")
        return names[node.id]
    if isinstance(node, ast.BinOp) and type(node.op) in OPERATORS:
        return OPERATORS[type(node.op)](_value(node.left, names, line), _value(node.right, names, line))
    if isinstance(node, ast.UnaryOp) and type(node.op) in OPERATORS:
        return OPERATORS[type(node.op)](_value(node.operand, names, line))
    if (
        isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in FUNCTIONS
        and not node.keywords
    ):
        return FUNCTIONS[node.func.id](*(_value(part, names, line) for part in node.args))
    raise line.fail("an expression holds numbers, parameters, + - * / ^ and common functions only")


# --- lines ------------------------------------------------------------------------------------------------------------
PIECE: Final = re.compile(r"\{[^}]*\}|'[^']*'|\"[^\"]*\"|[^\s,()={}'\"]+|[()=]")


def logical_lines(text: str) -> list[Line]:
    """Continued lines joined, comments gone, title dropped, split into words; `a = b` becomes one word `a=b`."""
    joined: list[tuple[int, str]] = []
    for index, raw in enumerate(text.splitlines(), 1):
        if index == 1:
            continue
        bare = re.split(r";|\$\s", raw, maxsplit=1)[0].rstrip()
        if not bare.strip() or bare.lstrip().startswith("*"):
            continue
        if bare.lstrip().startswith("+"):
            if not joined:
                raise NetlistError("a continuation line `+` continues nothing", index)
            joined[-1] = (joined[-1][0], joined[-1][1] + " " + bare.lstrip()[1:])
        else:
            joined.append((index, bare))
    return [Line(at, _words(line)) for at, line in joined]


def _words(text: str) -> tuple[str, ...]:
    words: list[str] = []
    pieces = PIECE.findall(text)
    index = 0
    while index < len(pieces):
        piece = pieces[index]
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


def read_blocks(text: str) -> Block:
    """A netlist's lines sorted into elements, parameters, models and sub-circuits. Raises NetlistError."""
    top = Block()
    stack = [top]
    skipping = False
    for line in logical_lines(text):
        head = line.head
        if head == ".control":
            skipping = True
        elif head == ".endc":
            skipping = False
        elif skipping or head in IGNORED or not head:
            continue
        elif head in REFUSED:
            raise line.fail(f"{head} is not read: {REFUSED[head]}")
        elif head == ".subckt":
            stack.append(_open_block(line, stack[-1]))
        elif head == ".ends":
            if len(stack) == 1:
                raise line.fail(".ends without .subckt")
            stack.pop()
        elif head == ".param" or head == ".params":
            stack[-1].params += [(line, name, value) for name, value in split_assignments(line.words[1:])[1].items()]
        elif head == ".model":
            model = _model(line)
            stack[-1].models[model.name] = model
        elif head == ".global":
            raise line.fail(".global is not read: name the net as a port of each sub-circuit")
        elif head.startswith("."):
            raise line.fail(
                f"unknown directive {line.words[0]}{nearest(head, ['.model', '.subckt', '.ends', '.param'])}"
            )
        else:
            stack[-1].elements.append(line)
    if len(stack) > 1:
        raise NetlistError(f".subckt {stack[-1].name} has no .ends", len(text.splitlines()))
    return top


def _open_block(line: Line, outer: Block) -> Block:
    plain, named = split_assignments(line.words[1:])
    plain = [word for word in plain if word.lower() not in ("params:", "params")]
    if not plain:
        raise line.fail(".subckt needs a name and its ports")
    block = Block(plain[0].lower(), tuple(plain[1:]), named, outer=outer)
    outer.blocks[block.name] = block
    return block


def _model(line: Line) -> Model:
    plain, named = split_assignments(line.words[1:])
    if len(plain) < 2:
        raise line.fail(".model needs a name and a type")
    return Model(plain[0].lower(), plain[1].lower(), named, line)
