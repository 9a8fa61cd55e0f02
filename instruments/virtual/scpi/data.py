"""Program data of SCPI messages: numbers with units, words, strings, channel lists; and the standard error numbers.

Written from IEEE 488.2 and SCPI-1999 as makers restate them; the texts of the errors are SCPI-1999 volume 2,
section 21.8 (from memory). A converter turns the text of one parameter into a value once; parsed lines are cached,
so a converter may not look at the instrument. What depends on the instrument (its ranges) is checked by the handler.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Protocol

ERROR_TEXTS: dict[int, str] = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -148: "Character data not allowed",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -168: "Block data not allowed",
    -171: "Invalid expression",
    -178: "Expression data not allowed",
    -200: "Execution error",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -214: "Trigger deadlock",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -225: "Out of memory",
    -230: "Data corrupt or stale",
    -241: "Hardware missing",
    -310: "System error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
}

MNEMONIC_LIMIT = 12  # IEEE 488.2: a program mnemonic has at most twelve characters
MULTIPLIERS = {
    "": 1.0, "P": 1e-12, "N": 1e-9, "U": 1e-6, "M": 1e-3, "K": 1e3, "MA": 1e6, "G": 1e9, "T": 1e12,
}  # fmt: skip
MEGA_UNITS = {"HZ", "OHM"}  # IEEE 488.2 table 7-2: MHZ and MOHM are mega, though M is milli elsewhere

_DECIMAL = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][ ]?[+-]?\d+)?)\s*([A-Za-z/%]*)")
_STARTS_NUMBER = re.compile(r"[+-]?\.?\d")
_WORD = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_NON_DECIMAL = {"H": 16, "Q": 8, "B": 2}


class ScpiError(Exception):
    """An error that belongs into the instrument's error queue."""

    def __init__(self, number: int, detail: str = "") -> None:
        super().__init__(number, detail)
        self.number = number
        self.detail = detail


def short_form(long_form: str) -> str:
    """The capitals of a mnemonic as manuals print it: "VOLTage" -> "VOLT"."""
    return "".join(letter for letter in long_form if not letter.islower())


def split_outside(text: str, separator: str) -> list[str]:
    """Split at separators that stand outside quotes and parentheses; -151 for a string without an end."""
    if '"' not in text and "'" not in text and "(" not in text:
        return text.split(separator)
    pieces: list[str] = []
    start = depth = 0
    quote = ""
    for place, letter in enumerate(text):
        if quote:
            quote = "" if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        elif letter in "()":
            depth += 1 if letter == "(" else -1
        elif letter == separator and depth <= 0:
            pieces.append(text[start:place])
            start = place + 1
    if quote:
        raise ScpiError(-151)
    pieces.append(text[start:])
    return pieces


class Parameter(Protocol):
    """One parameter of a command."""

    @property
    def optional(self) -> bool: ...

    def convert(self, text: str) -> object:
        """The value of `text`; raises ScpiError."""


def _refuse(text: str, wanted: int) -> ScpiError:
    """The standard's error for a kind of data that is not allowed here; `wanted` for a word."""
    if text[:1] in "\"'":
        return ScpiError(-158)
    if text[:1] == "(":
        return ScpiError(-178)
    if text[:1] == "#":
        return ScpiError(-168)
    if _STARTS_NUMBER.match(text):
        return ScpiError(-128)
    return ScpiError(wanted)


def match_word(text: str, words: tuple[str, ...]) -> str | None:
    """The short form of the word that `text` spells, exactly short or exactly long, whatever the case."""
    upper = text.upper()
    for word in words:
        short = short_form(word)
        if upper in (short, word.upper()):
            return short
    return None


def number_with_unit(text: str, unit: str) -> float:
    """A decimal or #H/#Q/#B number, with the unit or without; -121, -123, -131, -138."""
    if text[0] == "#" and text[1:2].upper() in _NON_DECIMAL:
        try:
            return float(int(text[2:], _NON_DECIMAL[text[1].upper()]))
        except ValueError:
            raise ScpiError(-121) from None
    found = _DECIMAL.fullmatch(text)
    if found is None:
        raise ScpiError(-121)
    value = float(found[1].replace(" ", ""))
    if value in (float("inf"), float("-inf")):
        raise ScpiError(-123)
    return value * _multiplier(found[2].upper(), unit) if found[2] else value


def _multiplier(suffix: str, unit: str) -> float:
    if not unit:
        raise ScpiError(-138)
    if not suffix.endswith(unit):
        raise ScpiError(-131)
    prefix = suffix[: -len(unit)]
    if prefix == "M" and unit in MEGA_UNITS:
        return 1e6
    if prefix not in MULTIPLIERS:
        raise ScpiError(-131)
    return MULTIPLIERS[prefix]


@dataclass(frozen=True, slots=True)
class Number:
    """A number in `unit`, or one of `words` (its short form is handed on)."""

    unit: str = ""
    words: tuple[str, ...] = ("MINimum", "MAXimum", "DEFault")
    optional: bool = False

    def convert(self, text: str) -> float | str:
        if _STARTS_NUMBER.match(text) or text[:1] == "#":
            return number_with_unit(text, self.unit)
        word = match_word(text, self.words)
        if word is None:
            if text[:1] in "+-.":
                raise ScpiError(-121)
            raise _refuse(text, -141 if self.words else -148)
        return word


@dataclass(frozen=True, slots=True)
class Word:
    """One of a list of words; its short form is handed on."""

    words: tuple[str, ...]
    optional: bool = False

    def convert(self, text: str) -> str:
        word = match_word(text, self.words)
        if word is None:
            raise _refuse(text, -224)
        return word


@dataclass(frozen=True, slots=True)
class Boolean:
    """ON, OFF or a number that is rounded."""

    optional: bool = False

    def convert(self, text: str) -> bool:
        if _STARTS_NUMBER.match(text):
            return round(number_with_unit(text, "")) != 0
        word = match_word(text, ("ON", "OFF"))
        if word is None:
            raise _refuse(text, -224)
        return word == "ON"


@dataclass(frozen=True, slots=True)
class BooleanOr:
    """ON, OFF, a number, or one more word such as ONCE (handed on in its short form)."""

    words: tuple[str, ...]
    optional: bool = False

    def convert(self, text: str) -> bool | str:
        word = match_word(text, self.words)
        return word if word is not None else Boolean().convert(text)


@dataclass(frozen=True, slots=True)
class Plain:
    """One of a list of texts that are no words of SCPI, such as 10M; upper case."""

    texts: tuple[str, ...]
    optional: bool = False

    def convert(self, text: str) -> str:
        if text.upper() not in self.texts:
            raise ScpiError(-224)
        return text.upper()


@dataclass(frozen=True, slots=True)
class Quoted:
    """A string in single or double quotes."""

    optional: bool = False

    def convert(self, text: str) -> str:
        if text[:1] not in ('"', "'"):
            raise ScpiError(-104)
        if len(text) < 2 or text[-1] != text[0]:
            raise ScpiError(-151)
        return text[1:-1].replace(text[0] * 2, text[0])


@dataclass(frozen=True, slots=True)
class Channels:
    """A channel list: (@1,3:5) -> (1, 3, 4, 5); (@) -> ()."""

    optional: bool = False

    def convert(self, text: str) -> tuple[int, ...]:
        if text[:1] != "(":
            raise ScpiError(-104)
        inside = re.fullmatch(r"\(\s*@(.*)\)", text)
        if inside is None:
            raise ScpiError(-171)
        numbers: list[int] = []
        for piece in inside[1].split(",") if inside[1].strip() else []:
            ends = re.fullmatch(r"\s*(\d+)\s*(?::\s*(\d+)\s*)?", piece)
            if ends is None:
                raise ScpiError(-171)
            first, last = int(ends[1]), int(ends[2] or ends[1])
            numbers.extend(range(first, last + 1) if last >= first else range(first, last - 1, -1))
        return tuple(numbers)


def convert_all(parameters: tuple[Parameter, ...], texts: list[str]) -> list[object]:
    """Values for each parameter, None for an optional one that is absent; -108, -109 and the converters' errors.

    An optional parameter that the text does not fit is passed over, as makers do: `VOLT? (@1)` leaves out MIN or MAX.
    """
    values: list[object] = []
    place = 0
    for index, parameter in enumerate(parameters):
        if place >= len(texts):
            if not parameter.optional:
                raise ScpiError(-109)
            values.append(None)
            continue
        try:
            values.append(parameter.convert(texts[place]))
            place += 1
        except ScpiError:
            left = len(parameters) - index - 1
            if not parameter.optional or left == 0 or len(texts) - place > left:
                raise
            values.append(None)
    if place < len(texts):
        raise ScpiError(-108)
    return values


def split_parameters(text: str) -> list[str]:
    """The texts between commas; -102 for an empty one."""
    if not text:
        return []
    texts = [piece.strip() for piece in split_outside(text, ",")]
    if "" in texts:
        raise ScpiError(-102)
    return texts
