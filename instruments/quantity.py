"""Quantities as engineers write them, and back: "4k7", "3.3 V ± 2 %", "4.40 .. 5.25 V", "< 0.3 V".

Everything inside Wakeboard is a float in SI base units; this module is the only door between those and text.

    parse("120 mA", "A")                  0.12
    parse("4k7", "Ω"), parse("p47", "F")  4700.0, 0.47e-12      (letter codes of IEC 60062)
    parse("40 %", "%")                    0.4                   (a percentage is a fraction inside)
    parse_interval("15 .. 60 mA", "A")    Interval(0.015, 0.06)
    parse_value("3.3 V ± 2 %", "V")       Value(3.3, 3.234, 3.366)
    show(0.12, "A")                       "120 mA"

Units: V A Ω F H W s Hz B/s %, or any other word given as `unit`; "" means a plain number. A number without its unit is
an error, but for Ω, F and H a scale letter is enough ("47k", "100n"), since that is how parts are marked. What
quantiphy would take silently and an engineer would not mean is refused: a decimal comma ("3,3 V" would be read as
33 V), a scale letter in the wrong case ("10 KV"), inf and nan.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from quantiphy import Quantity

_SCALES = "TGMkmµnpf"
_MARKED = {"Ω": "Rk", "F": "pnµm", "H": "nµm"}  # units whose scale letter alone is understood
_SPELLINGS = {"Ω": ("Ω", "ohms", "ohm", "Ohm"), "V": ("V",)}
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
_NUMBER = re.compile(r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*(.*)\Z", re.DOTALL)
_LETTER_CODE = re.compile(r"([+-]?)([0-9]*)([A-Za-zµ])([0-9]+)\Z")
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
    allowed = _allowed(unit)
    if not isinstance(text, str):
        raise QuantityError(text, allowed)
    tidy = text.strip().translate(_SAME_SIGN)
    code = _letter_code(tidy, unit)
    if code is not None:
        return code
    match = _NUMBER.match(tidy)
    if not match:
        raise QuantityError(text, allowed)
    scale = _scale(match[2].strip(), unit)
    if scale is None:
        raise QuantityError(text, allowed)
    return _finite(match[1], scale, text, allowed)


def _allowed(unit: str) -> str:
    if not unit:
        return "a plain number"
    example = _EXAMPLES.get(unit, f"1 {unit}")
    return f'a quantity in {unit}, such as "{example}"'


def _finite(number: str, scale: str, text: str, allowed: str) -> float:
    if scale in ("%", "min"):
        value = float(number) * (60.0 if scale == "min" else 0.01)
    else:
        value = float(Quantity(f"{number}{scale.replace('µ', 'u')}"))
    if not math.isfinite(value):
        raise QuantityError(text, allowed)
    return value


def _scale(suffix: str, unit: str) -> str | None:
    """The scale letter in what follows the number ("" for none); None where the suffix does not fit the unit."""
    if unit in ("", "%"):
        return suffix if suffix == unit else None
    if unit == "s" and suffix == "min":
        return "min"
    for spelling in _SPELLINGS.get(unit, (unit,)):
        if suffix.endswith(spelling):
            return _letter(suffix.removesuffix(spelling).rstrip(), unit)
    if unit == "Ω" and suffix == "R":
        return ""
    bare_scale = _letter(suffix, unit) if unit in _MARKED and suffix else None
    return bare_scale or None


def _letter(scale: str, unit: str) -> str | None:
    scale = scale.replace("u", "µ")
    if scale == "K" and unit == "Ω":  # capital K is what IEC 60062 prints for resistors
        return "k"
    return scale if scale == "" or (len(scale) == 1 and scale in _SCALES) else None


def _letter_code(text: str, unit: str) -> float | None:
    """IEC 60062: the letter stands where the decimal point would. "3V3" for volts is common practice, no source."""
    match = _LETTER_CODE.match(text)
    if not match:
        return None
    sign, whole, letter, fraction = match.groups()
    if letter == unit or (letter == "R" and unit == "Ω"):
        scale: str | None = ""
    elif unit in _MARKED:
        scale = _letter(letter, unit)
    else:
        return None
    if scale is None:
        return None
    return float(Quantity(f"{sign}{whole or '0'}.{fraction}{scale.replace('µ', 'u')}"))


def parse_tolerance(text: str, unit: str = "") -> Tolerance:
    """ "2 %", "± 2 %", a letter of IEC 60062 ("J"), or "±50 mV" where a unit is given. Raises QuantityError."""
    allowed = 'a tolerance, such as "2 %"' + (f' or "± {_EXAMPLES.get(unit, "1 " + unit)}"' if unit else "")
    if not isinstance(text, str):
        raise QuantityError(text, allowed)
    tidy = text.strip().translate(_SAME_SIGN)
    if tidy in _TOLERANCE_LETTERS:
        return Tolerance(relative=_TOLERANCE_LETTERS[tidy])
    size = re.sub(r"\A(?:±|\+/-|\+-)\s*", "", tidy)
    try:
        result = Tolerance(relative=parse(size, "%")) if "%" in size else Tolerance(absolute=parse(size, unit or "%"))
    except QuantityError:
        raise QuantityError(text, allowed) from None
    if (result.relative or 0.0) < 0 or (result.absolute or 0.0) < 0:
        raise QuantityError(text, allowed)
    return result


def parse_value(text: str, unit: str) -> Value:
    """A nominal with its tolerance: "3.3 V ± 2 %", "3.3 V ± 50 mV", or just "3.3 V". Raises QuantityError."""
    nominal_text, tolerance_text = _split_tolerance(text)
    nominal = parse(nominal_text, unit)
    if tolerance_text is None:
        return Value(nominal, nominal, nominal)
    width = parse_tolerance(tolerance_text, unit).half_width(nominal)
    return Value(nominal, nominal - width, nominal + width)


def _split_tolerance(text: str) -> tuple[str, str | None]:
    if not isinstance(text, str):
        return text, None
    parts = re.split(r"±|\+/-|\+-", text, maxsplit=1)
    return (parts[0], parts[1]) if len(parts) == 2 else (text, None)


def parse_interval(text: str, unit: str) -> Interval:
    """Limits: "4.40 .. 5.25 V", "< 0.3 V", "> 1 kΩ", "3.3 V ± 2 %", "± 50 mV". Raises QuantityError."""
    example = _EXAMPLES.get(unit, f"1 {unit}")
    allowed = f'limits, such as "< {example}", "> {example}", "0 .. {example}" or "{example} ± 5 %"'
    if not isinstance(text, str):
        raise QuantityError(text, allowed)
    try:
        interval = _interval(text.strip().translate(_SAME_SIGN), unit)
    except QuantityError as error:
        if error.found == _shorten(text):
            raise QuantityError(text, allowed) from None
        raise QuantityError(text, f"{allowed} ({error})") from None
    if interval.low is not None and interval.high is not None and interval.low > interval.high:
        raise QuantityError(text, f"{allowed}; the low end is above the high end")
    return interval


def _interval(text: str, unit: str) -> Interval:
    if text[:1] in ("<", "≤"):
        return Interval(None, parse(text[1:].removeprefix("="), unit))
    if text[:1] in (">", "≥"):
        return Interval(parse(text[1:].removeprefix("="), unit), None)
    if ".." in text:
        low, high = (side.strip() for side in text.split("..", 1))
        return Interval(parse(_lend_unit(low, high), unit), parse(high, unit))
    nominal, tolerance = _split_tolerance(text)
    if tolerance is None:
        raise QuantityError(text, "limits")
    if not nominal.strip():
        return parse_tolerance(tolerance, unit).around(0.0)
    value = parse_value(text, unit)
    return Interval(value.low, value.high)


def _lend_unit(low: str, high: str) -> str:
    """ "15 .. 60 mA": the low end is read with the scale and unit of the high end."""
    bare, full = _NUMBER.match(low), _NUMBER.match(high)
    if bare and not bare[2] and full:
        return f"{bare[1]} {full[2]}"
    return low


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
    return str(_Shown(value, unit).render(prec=digits - 1))
