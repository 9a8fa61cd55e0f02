"""The command tree of a SCPI instrument: headers as manuals print them, and lines parsed into calls.

A pattern is written as in a manual: "[SOURce:]VOLTage[:LEVel]", "STATus:QUEStionable:INSTrument:ISUMmary<n>:CONDition".
Square brackets: may be left out. Capitals: the short form. <n>: a numeric suffix, handed to the handler in front of
its parameters; 1 where the mnemonic has no digits, None where the whole node is left out.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import product
from typing import Any, TypeVar

from wakeboard.instruments.virtual.scpi.data import (
    MNEMONIC_LIMIT,
    Parameter,
    ScpiError,
    convert_all,
    short_form,
    split_outside,
    split_parameters,
)

Handler = Callable[..., "str | None"]
F = TypeVar("F", bound=Callable[..., Any])

_NODE = re.compile(r"(\[?):?([A-Za-z_*]+[0-9]*[A-Za-z]*)(<n>)?:?(\]?)")
_HEADER = re.compile(r"(\*[A-Za-z]+|:?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)(\?)?")
_DIGITS = re.compile(r"(.*?)(\d+)")


@dataclass(frozen=True, slots=True)
class Declared:
    """A handler with its header pattern; `asks` for a query."""

    pattern: str
    asks: bool
    parameters: tuple[Parameter, ...]


def command(pattern: str, *parameters: Parameter) -> Callable[[F], F]:
    """Declare a method as the handler of a command."""
    return _declare(pattern, False, parameters)


def query(pattern: str, *parameters: Parameter) -> Callable[[F], F]:
    """Declare a method as the handler of a query (the pattern is written without its question mark)."""
    return _declare(pattern, True, parameters)


def takes(cost: str | Callable[..., float]) -> Callable[[F], F]:
    """Declare that a handler takes time before it acts: `cost` is, or names, the method that prepares it,
    called with the same values, and returns the seconds."""

    def mark(function: F) -> F:
        function.__dict__["cost"] = cost
        return function

    return mark


def _declare(pattern: str, asks: bool, parameters: tuple[Parameter, ...]) -> Callable[[F], F]:
    def mark(function: F) -> F:
        marks: list[Declared] = function.__dict__.setdefault("scpi", [])
        marks.append(Declared(pattern, asks, parameters))
        return function

    return mark


@dataclass(frozen=True, slots=True)
class Leaf:
    """What a header leads to. places: where in the path each suffix stands, -1 for a node that was left out."""

    function: Handler
    parameters: tuple[Parameter, ...]
    places: tuple[int, ...]


@dataclass(slots=True)
class Node:
    """One level of the tree."""

    children: dict[str, Node] = field(default_factory=dict)
    numbered: bool = False
    command: Leaf | None = None
    query: Leaf | None = None


@dataclass(frozen=True, slots=True)
class Call:
    """One program message unit, ready to run. cost: what prepares it and says how long it takes."""

    function: Handler
    values: tuple[object, ...]
    cost: str | Callable[..., float] | None = None


@dataclass(frozen=True, slots=True)
class Program:
    """One line: what runs, and the command error that ends it, if any."""

    calls: tuple[Call, ...]
    error: tuple[int, str] | None = None


class Tree:
    """All headers of one class of instrument."""

    def __init__(self, handlers: Iterable[tuple[Declared, Handler]], *, glued_query: int = -111) -> None:
        """glued_query: the error for `VOLT?(@1)`; 0 where the maker lets the space be left out."""
        self.root = Node()
        self.glued_query = glued_query
        for declared, function in handlers:
            self._add(declared, function)

    def _add(self, declared: Declared, function: Handler) -> None:
        nodes = [(bool(left), name, bool(number)) for left, name, number, _ in _NODE.findall(declared.pattern)]
        for taken in product(*[(True, False) if optional else (True,) for optional, _, _ in nodes]):
            path = [index for index, present in enumerate(taken) if present]
            places = tuple(
                path.index(index) if index in path else -1 for index, (_, _, number) in enumerate(nodes) if number
            )
            leaf = Leaf(function, declared.parameters, places)
            node = self.root
            for index in path:
                node = _child(node, nodes[index][1], nodes[index][2])
            if declared.asks:
                node.query = leaf
            else:
                node.command = leaf

    def parse(self, line: str) -> Program:
        """The calls of a line; a command error ends it, and what stands before it still runs."""
        calls: list[Call] = []
        path = ""
        try:
            units = split_outside(line, ";")
            if units and not units[-1].strip():
                units.pop()
            for unit in units:
                call, path = self._unit(unit.strip(), path)
                calls.append(call)
        except ScpiError as error:
            return Program(tuple(calls), (error.number, error.detail))
        return Program(tuple(calls))

    def _unit(self, unit: str, path: str) -> tuple[Call, str]:
        found = _HEADER.match(unit)
        if found is None:
            raise ScpiError(-102 if not unit or unit[0] in ",;:\"'(?*" or unit[0].isdigit() else -101)
        header, asks = found[1], found[2] is not None
        rest = unit[found.end() :]
        self._check_separator(rest, asks)
        if header[0] == "*":
            full = header
        else:
            full = header[1:] if header[0] == ":" else path + header
            path = full[: full.rfind(":") + 1]
        leaf, suffixes = self.find(full, asks)
        values = convert_all(leaf.parameters, split_parameters(rest.strip()))
        return Call(leaf.function, (*suffixes, *values), getattr(leaf.function, "cost", None)), path

    def _check_separator(self, rest: str, asks: bool) -> None:
        if not rest or rest[0].isspace():
            return
        if rest[0] == "," or rest[0] == ":":
            raise ScpiError(-103)
        if rest[0] in "\"'(#+-.@?" or rest[0].isalnum():
            number = self.glued_query if asks else -111
            if number:
                raise ScpiError(number)
            return
        raise ScpiError(-101)

    def find(self, header: str, asks: bool) -> tuple[Leaf, tuple[int | None, ...]]:
        """The handler of a header and its numeric suffixes; -112, -113, -114."""
        node = self.root
        numbers: list[int] = []
        for name in header.upper().split(":"):
            node, number = _step(node, name, header)
            numbers.append(number)
        leaf = node.query if asks else node.command
        if leaf is None:
            raise ScpiError(-113, header)
        return leaf, tuple(numbers[place] if place >= 0 else None for place in leaf.places)


def _child(node: Node, name: str, numbered: bool) -> Node:
    child = node.children.get(name.upper())
    if child is None:
        child = Node()
        node.children[name.upper()] = child
        node.children[short_form(name)] = child
    child.numbered = child.numbered or numbered
    return child


def _step(node: Node, name: str, header: str) -> tuple[Node, int]:
    child = node.children.get(name)
    if child is not None:
        return child, 1
    digits = _DIGITS.fullmatch(name)
    if digits is not None:
        child = node.children.get(digits[1])
        if child is not None:
            if not child.numbered:
                raise ScpiError(-114, header)
            return child, int(digits[2])
    raise ScpiError(-112 if len(name) > MNEMONIC_LIMIT else -113, header)


def handlers_of(kind: type) -> list[tuple[Declared, Handler]]:
    """All handlers that a class declares or inherits, the derived ones last, so that they win.

    An overriding method without a mark keeps the marks above it. Names in the class's `without` are left out.
    """
    found: dict[tuple[str, Declared], Handler] = {}
    without = getattr(kind, "without", ())
    for base in reversed(kind.__mro__):
        for name, function in vars(base).items():
            for mark in getattr(function, "__dict__", {}).get("scpi", ()):
                if name not in without:
                    found[name, mark] = getattr(kind, name)
        for mark, function in vars(base).get("generated", ()):
            found[mark.pattern, mark] = function
    return [(mark, function) for (_, mark), function in found.items()]
