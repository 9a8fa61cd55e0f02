"""What an explanation is, as a document: part of one is read, too. (A whole one: tests/explain/test_explaining.py.)"""

from __future__ import annotations

import math

from wakeboard.results.explanation import ExplanationDocument


def test_of_a_part_the_rest_is_unknown() -> None:
    told = ExplanationDocument.of({"lines": [{"line": "X", "kind": "divider", "bodge": {"low_ohms": 300.0}}]})
    (line,) = told.lines
    assert line.pull_ohms is None
    assert told.best is None
    assert told.model is None
    assert line.bodge is not None
    assert math.isinf(line.bodge.high_ohms)
    assert line.bodge.as_json()["high_ohms"] is None
