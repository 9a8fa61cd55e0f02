"""A number with its thing, as a person says it: count(1, "supply", "supplies") is "1 supply"."""

from __future__ import annotations


def count(number: int, one: str, many: str | None = None) -> str:
    """1 reading, 2 readings; `many` where the plural is not made with an s."""
    return f"{number} {one if number == 1 else many or one + 's'}"
