"""What is written beside a part: "4k7 1%", "100n/16V", "10uF X5R", "600R@100MHz" taken apart into quantities.

    marking("R", "4,7k 1% 1/10W")    Marking(value=4700.0, unit="Ω", tolerance=0.01, watts=0.1, …)

What cannot be told apart is left None: "104" on a capacitor may be 104 pF or 100 nF, "0.1" has no unit.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from wakeboard.instruments.quantity import QuantityError, parse, parse_tolerance

UNITS: Final = {"R": "Ω", "C": "F", "L": "H"}
_DECIMAL_COMMA: Final = re.compile(r"(?<=[0-9]),(?=[0-9]{1,3}\s*(?:[pnuµμmkKMGRΩVWAFH%]|$))")
_GAP: Final = re.compile(
    r"(?<=[0-9])\s+(?=(?:[pnuµμmkKM]?(?:F|H|Ω|V|W|A|Hz)|ohms?|[kKM](?:ohms?|Ω)?|%|[pnuµμ])(?:\W|$))", re.I
)
_TOLERANCE: Final = re.compile(r"(?:±|\+/-|\+-)?\s*([0-9]+(?:\.[0-9]+)?)\s*%")
_LETTER: Final = re.compile(r"(?:^|[\s/,;_])([BCDFGJKM])(?=$|[\s/,;_])")
_VOLTS: Final = re.compile(
    r"(?<![A-Za-z0-9.])([0-9]+(?:\.[0-9]+)?)\s*(k?)V(?:DC|ac|dc)?(?![A-Za-z0-9])|(?<![A-Za-z0-9.])([0-9]+)V([0-9]+)(?![A-Za-z0-9])"
)
_WATTS: Final = re.compile(r"(?<![A-Za-z0-9.])(?:1/([0-9]+)|([0-9]*\.?[0-9]+)\s*(m?))W(?![A-Za-z])")
_AMPS: Final = re.compile(
    r"(?<![A-Za-z0-9.])([0-9]*\.?[0-9]+)\s*([mµu]?)A(?![A-Za-z0-9])|(?<![A-Za-z0-9.])([0-9]+)A([0-9]+)(?![A-Za-z0-9])"
)
_HERTZ: Final = re.compile(r"[0-9.]+\s*[kMG]?Hz", re.IGNORECASE)
_BEAD: Final = re.compile(r"([0-9.]+)\s*([kK]?)\s*(?:R|Ω|ohms?)?\s*(?:@|at|/|\s)\s*([0-9.]+)\s*MHz", re.IGNORECASE)
_DIELECTRIC: Final = re.compile(r"\b(C0G|NP0|X[5678][RSTP]|Y5V|Z5U|X7S)\b", re.IGNORECASE)
_PREFIX: Final = {"": 1.0, "m": 1e-3, "u": 1e-6, "µ": 1e-6, "k": 1e3}
_LEAST: Final = {"Ω": 0.0, "F": 1e-14, "H": 1e-11}
_MOST: Final = {"Ω": 1e12, "F": 100.0, "H": 1e3}


@dataclass(frozen=True)
class Marking:
    """SI units; tolerance as a fraction; None where the text does not say."""

    value: float | None = None
    unit: str = ""
    tolerance: float | None = None
    volts: float | None = None
    watts: float | None = None
    amps: float | None = None
    dielectric: str = ""


def tidy(text: str) -> str:
    """One spelling for what programs and languages write differently."""
    text = text.replace("\u00a0", " ").replace("μ", "µ").replace("Ω", "Ω").replace("\u2126", "Ω").replace("−", "-")
    return _GAP.sub("", _DECIMAL_COMMA.sub(".", text))


def marking(letter: str, text: str) -> Marking:
    """The text beside a part whose kind has the letter R, C or L; any other letter: ratings only."""
    plain = tidy(text)
    volts, watts, amps = _rating(_VOLTS, plain), _power(plain), _current(plain)
    tolerance = _tolerance(plain)
    dielectric = _DIELECTRIC.search(plain)
    rest = plain
    for pattern in (_TOLERANCE, _VOLTS, _WATTS, _AMPS, _HERTZ, _DIELECTRIC):
        rest = pattern.sub(" ", rest)
    unit = UNITS.get(letter, "")
    value = _value(unit, rest) if unit else None
    return Marking(value, unit, tolerance, volts, watts, amps, dielectric[1].upper() if dielectric else "")


def bead(text: str) -> tuple[float, float] | None:
    """(ohms, hertz) of a ferrite bead: "600R@100MHz" is (600, 100e6)."""
    match = _BEAD.search(tidy(text))
    if not match:
        return None
    try:
        return float(match[1]) * (1e3 if match[2] else 1.0), float(match[3]) * 1e6
    except ValueError:
        return None


def _value(unit: str, text: str) -> float | None:
    for word in re.split(r"[\s/,;|()@±]+", text):
        found = _quantity(unit, word.strip("_-."))
        if found is not None and _LEAST[unit] <= found <= _MOST[unit]:
            return found
    return None


def _quantity(unit: str, word: str) -> float | None:
    if not word or not re.match(r"[0-9.RrkKMpnuµ]", word) or not any(c.isdigit() for c in word):
        return None
    word = re.sub(r"(?i)ohms?\Z", "Ω", word)
    if unit == "Ω":
        word = re.sub(r"(?i)meg\Z", "M", word)
        word = (
            re.sub(r"(?<=[0-9])[rE]\Z", "R", word).removesuffix("Ω").removesuffix("R") if word[-1:] in "ΩRrE" else word
        )
        if re.fullmatch(r"[0-9]+(?:\.[0-9]+)?", word):
            return float(word)
        if re.fullmatch(r"[0-9.]+mR?", word):
            return float(word.rstrip("mR")) * 1e-3 if word.rstrip("mR").count(".") < 2 else None
        word = word.replace("K", "k").replace("r", "R")
    elif unit == "F":
        word = re.sub(r"(?i)f\Z", "F", word)
        word = word.replace("U", "u").replace("N", "n").replace("P", "p")
    elif unit == "H":
        word = re.sub(r"(?i)h\Z", "H", word).replace("U", "u")
    try:
        return parse(word, unit)
    except QuantityError:
        return None


def _tolerance(text: str) -> float | None:
    match = _TOLERANCE.search(text)
    if match:
        share = float(match[1]) / 100
        return share if share < 1 else None
    letter = _LETTER.search(text)
    return parse_tolerance(letter[1]).relative if letter else None


def _rating(pattern: re.Pattern[str], text: str) -> float | None:
    match = pattern.search(text)
    if not match:
        return None
    if match[3]:
        return float(f"{match[3]}.{match[4]}")
    found = float(match[1]) * (1e3 if match[2] == "k" else 1.0)
    return found or None


def _power(text: str) -> float | None:
    match = _WATTS.search(text)
    if not match:
        return None
    if match[1]:
        return 1 / int(match[1]) if int(match[1]) else None
    return float(match[2]) * (1e-3 if match[3] else 1.0) or None


def _current(text: str) -> float | None:
    match = _AMPS.search(text)
    if not match:
        return None
    if match[3]:
        return float(f"{match[3]}.{match[4]}") or None
    return float(match[1]) * _PREFIX.get(match[2], 1.0) or None
