"""Readings beside a test: a section of its report, and properties for --junitxml."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from wakeboard.harness.run.live import reading_text

if TYPE_CHECKING:
    import pytest

    from wakeboard.results.records import Step

SECTION = "readings"


def add_readings(item: pytest.Item, steps: Sequence[Step]) -> None:
    """What these steps read, beside the test that took them."""
    lines = []
    for step in steps:
        lines.append(f"{step.number}. {step.name}: {step.outcome}" + (f" ({step.says})" if step.says else ""))
        for reading in step.readings:
            lines.append(f"   {reading_text(reading)}")
            value = reading.says if reading.value is None else f"{reading.value:.9g} {reading.unit}"
            item.user_properties.append((f"{reading.of}, {reading.quantity}, {reading.state}", value))
    if lines:
        item.add_report_section("call", SECTION, "\n".join(lines))
