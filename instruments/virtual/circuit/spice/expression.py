"""SPICE numbers, and expressions over parameters."""

from __future__ import annotations

import ast
import math
import operator
import re
from collections.abc import Callable, Mapping
from typing import Final

from wakeboard.instruments.virtual.circuit.errors import nearest

SUFFIXES: Final = {
    "meg": 1e6, "mil": 25.4e-6, "t": 1e12, "g": 1e9, "k": 1e3, "m": 1e-3, "u": 1e-6, "µ": 1e-6, "μ": 1e-6,
    "n": 1e-9, "p": 1e-12, "f": 1e-15,
}  # fmt: skip
DIGITS: Final = r"(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
# the micro sign and the Greek letter are told apart by character, not by what they look like
NUMBER: Final = re.compile(rf"([+-]?{DIGITS})(meg|mil|[tgkmuµμnpf])?[a-zA-ZµμΩω%]*", re.IGNORECASE | re.ASCII)
WORD: Final = re.compile(rf"[A-Za-z_]\w*|{DIGITS}[A-Za-zµμ]*|\*\*|\S", re.ASCII)
DEEPEST: Final = 50  # parentheses: a bound on input, far below what Python's stack bears

Function = Callable[..., float]
OPERATORS: Final[dict[type[ast.AST], Function]] = {
    ast.Add: operator.add, ast.Sub: operator.sub, ast.Mult: operator.mul, ast.Div: operator.truediv,
    ast.Pow: operator.pow, ast.USub: operator.neg, ast.UAdd: operator.pos,
}  # fmt: skip
FUNCTIONS: Final[dict[str, Function]] = {
    "sqrt": math.sqrt, "exp": math.exp, "ln": math.log, "log": math.log, "log10": math.log10, "abs": abs,
    "min": min, "max": max, "pow": math.pow, "sin": math.sin, "cos": math.cos, "tan": math.tan, "atan": math.atan,
    "floor": math.floor, "ceil": math.ceil, "int": math.trunc,
}  # fmt: skip
CONSTANTS: Final = {"pi": math.pi}


class ExpressionError(ValueError):
    """Why an expression has no value."""


class UnknownParameterError(ExpressionError):
    """An expression that uses a parameter that nobody set."""


def number(word: str) -> float | None:
    """A SPICE number ("2.2k", "10uF", "1MEG" are; "4k7" is not), or None."""
    match = NUMBER.fullmatch(word)
    if not match:
        return None
    found = float(match[1]) * SUFFIXES.get((match[2] or "").lower(), 1.0)
    return found if math.isfinite(found) else None


def evaluate(text: str, names: Mapping[str, float]) -> float:
    """The value of an expression; names are lower case. Raises ExpressionError."""
    words = []
    for word in WORD.findall(text):
        value = number(word) if word[0].isdigit() or word[0] == "." else None
        # a prefix, so that no parameter's name is a word of the language that parses the expression
        named = f"p_{word.lower()}" if word[0].isalpha() or word[0] == "_" else word
        words.append(repr(value) if value is not None else "**" if word == "^" else named)
    try:
        tree = ast.parse(" ".join(words), mode="eval")
        found = float(_value(tree.body, names, 0))
    except ExpressionError:
        raise
    except (SyntaxError, ArithmeticError, ValueError, TypeError, RecursionError, MemoryError) as error:
        raise ExpressionError(f"no value in expression {text!r}: {_why(error)}") from error
    if not math.isfinite(found):
        raise ExpressionError(f"expression {text!r} has no finite value")
    return found


def _why(error: Exception) -> str:
    if isinstance(error, SyntaxError):
        return "it is not well formed"
    return str(error) or type(error).__name__


def _value(node: ast.AST, names: Mapping[str, float], depth: int) -> float:
    if depth > DEEPEST:
        raise ExpressionError(f"an expression nests more than {DEEPEST} deep")
    deeper = depth + 1
    match node:
        case ast.Constant(value=float(found)):
            return found
        case ast.Name(id=name):
            return _named(name.removeprefix("p_"), names)
        case ast.BinOp(op=ast.Pow(), right=ast.BinOp(op=ast.Pow())):
            raise ExpressionError("a power of a power needs brackets: programs differ on which comes first")
        case ast.BinOp(left=left, op=op, right=right) if type(op) in OPERATORS:
            return OPERATORS[type(op)](_value(left, names, deeper), _value(right, names, deeper))
        case ast.UnaryOp(op=op, operand=operand) if type(op) in OPERATORS:
            return OPERATORS[type(op)](_value(operand, names, deeper))
        case ast.Call(func=ast.Name(id=name), args=args, keywords=[]) if name.removeprefix("p_") in FUNCTIONS:
            return FUNCTIONS[name.removeprefix("p_")](*(_value(part, names, deeper) for part in args))
    raise ExpressionError(
        f"an expression holds numbers, parameters, + - * / ^ and the functions {', '.join(FUNCTIONS)} only"
    )


def _named(name: str, names: Mapping[str, float]) -> float:
    found = names.get(name, CONSTANTS.get(name))
    if found is None:
        raise UnknownParameterError(f"no parameter {name!r}{nearest(name, names)}")
    return found
