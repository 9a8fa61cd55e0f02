"""A test point on ground, as many boards have: it is read like any other, and tells nothing."""

from __future__ import annotations

import re
from pathlib import Path

from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.explain.explaining import explain_case
from wakeboard.harness.explain.unit.cases import BoardModel, Case
from wakeboard.harness.run.session import take_unit

TEMPLATE = Path(__file__).parents[2] / "sequences" / "template" / "board.toml"
SEQUENCE = """
title = "With ground"
board = "board.toml"
[[step]]
do = "resistance"
of = ["every supply", "TP9"]
expect = "> 0 Ω"
[[step]]
do = "power on"
supply = "USB"
limit = "100 mA"
[[step]]
do = "volts"
load = true
[[step]]
do = "line"
"""


def test_a_run_that_read_ground_is_explained(tmp_path: Path) -> None:
    text = TEMPLATE.read_text(encoding="utf-8")
    text = re.sub(r"(?m)^TP3 = .*$", lambda found: f'{found[0]}\nTP9 = {{ net = "GND" }}', text)
    (tmp_path / "board.toml").write_text(text, encoding="utf-8")
    (tmp_path / "steps.toml").write_text(SEQUENCE, encoding="utf-8")
    sequence = load_sequence(tmp_path / "steps.toml")
    result = take_unit(sequence, unit="T-1", plants=("R1:missing",))
    assert result.error is None
    assert any(reading.of == "GND" for step in result.record.steps for reading in step.readings)
    found = explain_case(Case(result.record, BoardModel.of(sequence.board)))
    assert found.groups[0].name == "R1:missing"
    assert all(choice.measurement.of != "GND" for choice in found.next)
