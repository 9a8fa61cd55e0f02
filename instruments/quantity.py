"""Quantities as engineers write them, and back: "4k7", "3.3 V ± 2 %", "4.40 .. 5.25 V", "< 0.3 V".

Everything inside Wakeboard is a float in SI base units; this module is the only door between those and text.

    parse("120 mA", "A")                  0.12
    parse("4k7", "Ω"), parse("p47", "F")  4700.0, 0.47e-12      (letter codes of IEC 60062)
    parse("40 %", "%")                    0.4                   (a percentage is a fraction inside)
    parse_interval("15 .. 60 mA", "A")    Interval(0.015, 0.06)
    parse_value("3.3 V ± 2 %", "V")       Value(3.3, 3.234, 3.366)
    show(0.12, "A")                       "120 mA"

Units: V A Ω F H W s Hz B/s %, or any other word given as `unit`; "" means a plain number. A number without its unit is
an error, but for Ω, F and H the scale letters that mark such parts are enough ("47k", "100n"). What may be written is
listed in harness/describe.md, and nothing else is read: a text that two engineers could read in two ways is refused. A
prefix multiplies whatever number stands before it ("5e2 mA" is 0.5 A). Numbers are rounded once, to the nearest float.
"""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from quantiphy import Quantity

_POWERS = {"": 0, "T": 12, "G": 9, "M": 6, "k": 3, "m": -3, "µ": -6, "u": -6, "n": -9, "p": -12, "f": -15}
PREFIXES = tuple((letter, power) for letter, power in _POWERS.items() if letter != "u")
"""Prefixes of the SI as they are printed, and the power of ten of each."""
# Letters that mark a part without its unit (IEC 60062, values from memory). No "m" for Ω: as likely a slip for "M".
_MARKED = {"Ω": "kKMG", "F": "pnµum", "H": "nµum"}
_POINT_LETTERS = {"V": "V", "A": "A", "W": "W", "F": "F", "H": "H", "Ω": "ΩR"}  # "3V3": common practice, no source
_SPELLINGS = {"Ω": ("Ω", "ohm", "ohms", "Ohm", "Ohms")}
_EXAMPLES = {
    "V": "3.3 V",
    "A": "120 mA",
    "Ω": "4k7",
    "F": "10 µF",
    "H": "4.7 µH",
    "W": "250 mW",
    "s": "20 ms",
    "Hz": "32.768 kHz",
    "B/s": "10 MB/s",
    "%": "2 %",
    "": "0.5",
}
# IEC 60062 tolerance letters (reference: values of the standard, from memory)
_TOLERANCE_LETTERS = {"B": 0.001, "C": 0.0025, "D": 0.005, "F": 0.01, "G": 0.02, "J": 0.05, "K": 0.1, "M": 0.2}
_DIGITS = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)"
_NUMBER = re.compile(rf"({_DIGITS})(?:[eE]([+-]?[0-9]{{1,4}}))?(?![0-9])[ \t]*(.*)\Z")
_LETTER_CODE = re.compile(r"([+-]?[0-9]*)([A-Za-zµΩ])([0-9]+)[ \t]*(.*)\Z")
_BETWEEN = re.compile(r"(?<!\.)\.\.(?!\.)")
_COMMA = re.compile(r"[0-9],[0-9]")
_SAME_SIGN = str.maketrans({"\u2126": "Ω", "μ": "µ", "−": "-", "\u00a0": " ", "\u202f": " ", "\u2009": " "})


class QuantityError(ValueError):
    """Text that is no quantity of the wanted unit. `found` is what stood there, `allowed` what may stand there."""

    def __init__(self, found: object, allowed: str) -> None:
        self.found = _shorten(found)
        self.allowed = allowed
        super().__init__(f"{self.found} is not {allowed}")

    def __reduce__(self) -> tuple[object, ...]:
        return _rebuild, (self.found, self.allowed)


def _rebuild(found: str, allowed: str) -> QuantityError:
    error = QuantityError("", allowed)
    error.found = found
    error.args = (f"{found} is not {allowed}",)
    return error


def _shorten(found: object) -> str:
    text = repr(found) if not isinstance(found, str) else f'"{found}"'
    return text if len(text) <= 60 else text[:56] + '…"'


@dataclass(frozen=True)
class Interval:
    """Closed interval in SI units; None is an open end."""

    low: float | None
    high: float | None

    def __contains__(self, value: float) -> bool:
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)

    def show(self, unit: str) -> str:
        """The interval as `parse_interval` reads it."""
        if self.low is None and self.high is None:
            return "anything"
        if self.low is None:
            return f"< {show(self.high, unit)}"
        if self.high is None:
            return f"> {show(self.low, unit)}"
        return f"{show(self.low, unit)} .. {show(self.high, unit)}"


@dataclass(frozen=True)
class Tolerance:
    """Either relative (a fraction of the nominal) or absolute (in the unit of the nominal); the other is None."""

    relative: float | None = None
    absolute: float | None = None

    def half_width(self, nominal: float) -> float:
        if self.absolute is not None:
            return self.absolute
        return abs(nominal) * (self.relative or 0.0)

    def around(self, nominal: float) -> Interval:
        width = self.half_width(nominal)
        return Interval(nominal - width, nominal + width)


@dataclass(frozen=True)
class Value:
    """A nominal value and the ends of its tolerance, SI units. Without a tolerance all three are equal."""

    nominal: float
    low: float
    high: float

    @property
    def tolerance(self) -> float:
        """Half the width relative to the nominal (0.0 for a nominal of zero)."""
        return (self.high - self.low) / 2 / abs(self.nominal) if self.nominal else 0.0


def parse(text: str, unit: str) -> float:
    """A single quantity in SI units. Raises QuantityError."""
    if not isinstance(text, str):
        raise QuantityError(text, _allowed(unit))
    tidy = text.strip().translate(_SAME_SIGN)
    value = _read(tidy, unit)
    if value is None:
        raise QuantityError(text, _allowed(unit) + _comma_hint(tidy))
    return value


def _read(text: str, unit: str) -> float | None:
    number = _NUMBER.match(text)
    if number and number[3] in _powers(unit):
        return _scaled(number[1], int(number[2] or 0) + _powers(unit)[number[3]])
    if number and number[3] == "min" and unit == "s":
        minutes = _scaled(number[1], int(number[2] or 0))
        return _finite(minutes * 60) if minutes is not None else None
    code = _LETTER_CODE.match(text)
    power = _code_powers(unit).get((code[2], code[4])) if code else None
    return _scaled(f"{code[1]}.{code[3]}", power) if code and power is not None else None


def _scaled(digits: str, power: int) -> float | None:
    """`digits` times ten to the `power`, rounded once; None where no float is near it."""
    value = float(f"{digits}e{power}")
    vanished = value == 0 and digits.strip("+-0.") != ""
    return None if vanished else _finite(value)


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


@functools.cache
def _powers(unit: str) -> Mapping[str, int]:
    """What may follow a number -> the power of ten that it stands for."""
    if unit in ("", "%"):
        return {unit: -2 if unit else 0}
    found = dict(_with_unit(unit))
    for letter in _MARKED.get(unit, ""):
        found[letter] = _power(letter)
    if unit == "Ω":
        found["R"] = 0
    return found


def _with_unit(unit: str) -> Iterator[tuple[str, int]]:
    for spelling in _SPELLINGS.get(unit, (unit,)):
        for letter in (*_POWERS, *("K" if unit == "Ω" else "")):
            yield f"{letter}{spelling}", _power(letter)
            yield f"{letter} {spelling}".strip(), _power(letter)


def _power(letter: str) -> int:
    return _POWERS["k" if letter == "K" else letter]  # capital K is what IEC 60062 prints for resistors


@functools.cache
def _code_powers(unit: str) -> Mapping[tuple[str, str], int]:
    """(letter at the place of the point, what follows the digits) -> power of ten. The unit may follow: "4k7 Ω"."""
    found = {(letter, ""): 0 for letter in _POINT_LETTERS.get(unit, "")}
    for letter in _MARKED.get(unit, ""):
        for end in ("", *_SPELLINGS.get(unit, (unit,))):
            found[letter, end] = _power(letter)
    return found


def _allowed(unit: str) -> str:
    if not unit:
        return "a plain number"
    example = _EXAMPLES.get(unit, f"1 {unit}")
    return f'a quantity in {unit}, such as "{example}"'


def _comma_hint(text: str) -> str:
    return "; for decimals use a point, and nothing between thousands" if _COMMA.search(text) else ""


def parse_tolerance(text: str, unit: str = "") -> Tolerance:
    """ "2 %", "± 2 %", a letter of IEC 60062 ("J"), or "±50 mV" where a unit is given. Raises QuantityError."""
    if isinstance(text, str) and text.strip() in _TOLERANCE_LETTERS:
        return Tolerance(relative=_TOLERANCE_LETTERS[text.strip()])
    allowed = 'a tolerance, such as "2 %"' + (f' or "± {_EXAMPLES.get(unit, "1 " + unit)}"' if unit else "")
    if not isinstance(text, str):
        raise QuantityError(text, allowed)
    size = re.sub(r"\A(?:±|\+/-|\+-)\s*", "", text.strip().translate(_SAME_SIGN))
    width = _read(size, "%") if size.endswith("%") else _read(size, unit) if unit else None
    if width is None or math.copysign(1, width) < 0:
        raise QuantityError(text, allowed + _comma_hint(text))
    if not size.endswith("%"):
        return Tolerance(absolute=width)
    if width > 1:
        raise QuantityError(text, f"{allowed}; at most 100 %")
    return Tolerance(relative=width)


def parse_value(text: str, unit: str) -> Value:
    """A nominal with its tolerance: "3.3 V ± 2 %", "3.3 V ± 50 mV", or just "3.3 V". Raises QuantityError."""
    nominal_text, tolerance_text = _split_tolerance(text)
    nominal = parse(nominal_text, unit)
    if tolerance_text is None:
        return Value(nominal, nominal, nominal)
    tolerance = _written_tolerance(text, tolerance_text, unit)
    if nominal == 0 and tolerance.relative and unit != "Ω":  # a 0 Ω link is sold with a tolerance
        raise QuantityError(text, f"{_allowed(unit)} ± a quantity in {unit}: a share of zero is nothing")
    width = tolerance.half_width(nominal)
    return Value(nominal, nominal - width, nominal + width)


def _split_tolerance(text: str) -> tuple[str, str | None]:
    if not isinstance(text, str):
        return text, None
    parts = re.split(r"±|\+/-|\+-", text, maxsplit=1)
    return (parts[0], parts[1]) if len(parts) == 2 else (text, None)


def _written_tolerance(text: str, after_sign: str, unit: str) -> Tolerance:
    """The tolerance of a nominal. No letter: that stands in a list of parts, not behind a ±."""
    tolerance = parse_tolerance(f"±{after_sign}", unit)
    if unit == "%":  # "50 % ± 5 %" ends at 52.5 % or at 55 %
        raise QuantityError(text, 'a percentage with its ends written out, such as "45 % .. 55 %"')
    return tolerance


def parse_interval(text: str, unit: str) -> Interval:
    """Limits: "4.40 .. 5.25 V", "< 0.3 V", "> 1 kΩ", "3.3 V ± 2 %", "± 50 mV". Raises QuantityError."""
    example = _EXAMPLES.get(unit, f"1 {unit}")
    allowed = f'limits, such as "< {example}", "> {example}", "0 .. {example}" or "{example} ± 5 %"'
    if not isinstance(text, str):
        raise QuantityError(text, allowed)
    tidy = text.strip().translate(_SAME_SIGN)
    if "..." in tidy or "…" in tidy:
        raise QuantityError(text, f"{allowed}; two points stand between the ends, so that none belongs to a number")
    try:
        interval = _interval(tidy, unit)
    except QuantityError as error:
        if error.found == _shorten(text) and error.allowed == "limits":
            raise QuantityError(text, allowed + _comma_hint(tidy)) from None
        raise QuantityError(text, f"{allowed} ({error})") from None
    if interval.low is not None and interval.high is not None and interval.low > interval.high:
        raise QuantityError(text, f"{allowed}; the low end is above the high end")
    return interval


def _interval(text: str, unit: str) -> Interval:
    if text[:1] in ("<", "≤"):
        return Interval(None, parse(text[1:].removeprefix("="), unit))
    if text[:1] in (">", "≥"):
        return Interval(parse(text[1:].removeprefix("="), unit), None)
    ends = _BETWEEN.split(text)
    if len(ends) == 2:
        low, high = (side.strip() for side in ends)
        return Interval(parse(_lend_unit(low, high), unit), parse(high, unit))
    nominal, tolerance = _split_tolerance(text)
    if tolerance is None:
        raise QuantityError(text, "limits")
    return _around(nominal.strip(), tolerance, unit)


def _around(nominal: str, tolerance: str, unit: str) -> Interval:
    if nominal:
        value = parse_value(f"{nominal} ±{tolerance}", unit)
        if value.nominal == 0 and tolerance.endswith("%"):
            raise QuantityError(f"{nominal} ±{tolerance}", "a share of something")
        return Interval(value.low, value.high)
    width = parse(tolerance, unit)
    if width < 0:
        raise QuantityError(f"±{tolerance}", f"± a quantity in {unit}")
    return Interval(-width, width)


def _lend_unit(low: str, high: str) -> str:
    """ "15 .. 60 mA": the low end is read with the scale and unit of the high end."""
    bare, full = _NUMBER.match(low), _NUMBER.match(high)
    return f"{low} {full[3]}" if bare and not bare[3] and full else low


class _Shown(Quantity):
    """Own preferences, so that the caller's use of quantiphy is left alone."""


_Shown.set_prefs(output_sf="TGMkmunpf", map_sf={"u": "µ"}, spacer=" ", strip_zeros=True, minus="-")


def show(value: float | None, unit: str, digits: int = 4) -> str:
    """Text of a value in SI units with `digits` significant digits: show(0.12, "A") is "120 mA"; None is "—"."""
    if value is None:
        return "—"
    if not math.isfinite(value):
        return " ".join(filter(None, ("NaN" if math.isnan(value) else "∞" if value > 0 else "-∞", unit)))
    if unit in ("%", ""):
        number = f"{value * 100 if unit else value:.{digits}g}"
        return f"{number} {unit}".rstrip()
    return _kept(value, unit, digits) if value else _shown(value, unit, digits)  # 0.0 and -0.0 are one key


def _shown(value: float, unit: str, digits: int) -> str:
    return str(_Shown(value, unit).render(prec=digits - 1))


_kept = functools.lru_cache(maxsize=4096)(_shown)
"""A rehearsal shows the same few hundred values thousands of times."""
