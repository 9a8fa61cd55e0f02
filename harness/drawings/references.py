"""Reference designators: what one looks like, and lists of them taken apart.

listed("R1, R3-R7")        ["R1", "R3", "R4", "R5", "R6", "R7"]
split("R31")               ("R", "31")
"""

from __future__ import annotations

import re
from typing import Final

REFERENCE: Final = re.compile(r"[A-Za-z]{1,6}[0-9]{1,6}[A-Za-z]?(?:[_.][A-Za-z0-9]+)?\Z")
_RANGE: Final = re.compile(
    r"([A-Za-z]{1,6})([0-9]{1,6})\s*(?:-|–|—|\.{2,3}|…|~|\b(?:to|bis|à|a|au|hasta|do|até)\b)\s*([A-Za-z]{0,6})([0-9]{1,6})\Z"
)
_SEPARATORS: Final = re.compile(
    r"[,;|/\n\t]+|\s+(?:et|and|und|y|e|en)\s+|\s+(?!(?:[-–—~]|\.\.|…|(?:to|bis|à|a|au|hasta|do|até)\s))"
    r"(?<![-–—~…]\s)(?<!\.\.\s)(?<!\bto\s)(?<!\bbis\s)(?<!\b[àa]\s)(?<!\bau\s)(?<!\bhasta\s)(?<!\bdo\s)(?<!\baté\s)"
)
MOST_IN_RANGE: Final = 5000  # a longer range, as of R1-R99999, is a slip of the pen


def split(name: str) -> tuple[str, str]:
    """Letters and the rest: ("R", "31"). ("", name) where it begins with no letter."""
    match = re.match(r"([A-Za-z]+)(.*)\Z", name, re.DOTALL)
    return (match[1].upper(), match[2]) if match else ("", name)


def listed(text: str) -> list[str]:
    """Every reference of a cell; ranges are filled in. What is no reference is returned as it stands."""
    found: list[str] = []
    for word in _SEPARATORS.split(text.strip()):
        found += _spread(word.strip().strip("'\"")) if word.strip() else []
    return found


def _spread(word: str) -> list[str]:
    match = _RANGE.match(word)
    if not match:
        return [word]
    letters, first, again, last = match.groups()
    low, high = int(first), int(last)
    if (again and again.upper() != letters.upper()) or not low <= high <= low + MOST_IN_RANGE:
        return [word]
    return [f"{letters}{number}" for number in range(low, high + 1)]


def looks_listed(text: str) -> bool:
    """Whether a cell holds references and nothing else."""
    words = listed(text)
    return bool(words) and all(REFERENCE.match(word) for word in words)
