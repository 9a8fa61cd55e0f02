"""The faults that change nothing are told in a line or two: nobody can do anything about them."""

from __future__ import annotations

from typing import Any

import pytest

from wakeboard.harness.cli.rehearse import MOST_EQUIVALENT, _equivalent


@pytest.mark.parametrize(("number", "more"), [(MOST_EQUIVALENT, ""), (200, f"and {200 - MOST_EQUIVALENT} more")])
def test_a_long_list_is_cut_and_says_so(number: int, more: str) -> None:
    told: list[str] = []

    class Saying:
        def say(self, text: str) -> None:
            told.append(text)

    common: Any = Saying()
    _equivalent(common, [f"C{n}:missing" for n in range(number)])
    text = " ".join(" ".join(told).split())
    assert text.count("missing") == MOST_EQUIVALENT
    assert more in text
