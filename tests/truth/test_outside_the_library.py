"""A failure that no fault of the library is, on a circuit that was drawn anew: nothing innocent may be sure.

The failure is one of the benchmark's (explain_exotic.py); how sure is too sure is the tool's own measure.
"""

from __future__ import annotations

import explain_exotic
from explain_exotic import EXOTIC, Case, Line, Workshop, explain_case, verdict


def test_a_weak_driver_is_no_resistor_of_another_value() -> None:
    """The driver's 4 kΩ instead of 40 Ω pull 3.3 V down to 3.13 V across 100 kΩ. Where these were fitted, what 40 Ω do
    was once taken from the value at which the fit began, some times as much as where it ended: 98.3 kΩ, > 99 %."""
    (weak,) = [each for each in EXOTIC if each.what == "processor's driver of 4 kΩ"]
    shop = Workshop(Line.of())
    found = explain_case(Case(shop.run(weak, "X0"), shop.plain.model), ask_next=False)
    assert verdict(weak, found).good
    assert found.groups[0].name == explain_exotic.words.OTHER
