"""A pattern of a sequence file on what a board says, in bounded time: `(a+)+b` on forty a's would take an hour, with
the power on. Python's own `re` cannot be interrupted; `regex` takes the same patterns and a time limit (one
difference: `[[:alpha:]]` is a class of letters to it).

    pattern = compiled("climate (?P<celsius>[0-9.]+) C")     raises BadPattern
    found = search(pattern, heard)                           raises PatternTooSlow
"""

from __future__ import annotations

import math
import re
from typing import Any, Final

import regex

LIMIT: Final = 0.2  # s for one look: a good pattern takes a millisecond, and the guard waits for a beat meanwhile
LONGEST: Final = 2000  # characters of a pattern
MOST_REPEATS: Final = 100_000  # of counted repeats within each other: `regex` writes them out when it compiles
HEARD: Final = 1 << 16  # characters that are looked at: the latest; a boot log is a tenth of it
_COUNTED: Final = re.compile(r"\{(\d*)(?:,(\d*))?\}")


class BadPattern(ValueError):
    """It is no regular expression, or one that could not be looked for in bounded time."""


class PatternTooSlow(Exception):
    """It took longer than LIMIT on what was heard."""


def compiled(text: str) -> Any:
    """The pattern, in Python's syntax. Raises BadPattern."""
    if len(text) > LONGEST:
        raise BadPattern(f"it has more than {LONGEST} characters")
    if math.prod(max(1, *(int(each[:9] or 0) for each in pair)) for pair in _COUNTED.findall(text)) > MOST_REPEATS:
        raise BadPattern(f"its counted repeats come to more than {MOST_REPEATS}")
    try:
        re.compile(text)
        return regex.compile(text)
    except (re.error, regex.error, RecursionError, OverflowError) as error:
        raise BadPattern(str(error)) from None


def search(pattern: Any, text: str) -> Any:
    """The first match in the latest of a text, or None."""
    try:
        return pattern.search(text[-HEARD:], timeout=LIMIT)
    except TimeoutError:
        raise PatternTooSlow(
            f"the pattern {pattern.pattern!r} takes more than {LIMIT:g} s on what was heard: repeats within repeats, "
            "such as (a+)+, are to be written as one"
        ) from None
