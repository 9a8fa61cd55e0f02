"""The notebook runs from its first cell to its last, and ends with the line mended."""

from __future__ import annotations

import json
from importlib import resources

import pytest


@pytest.mark.timeout(300)
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_the_notebook_takes_skep_from_review_to_a_bodge(tmp_path, monkeypatch):
    pytest.importorskip("matplotlib")
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    text = resources.files("wakeboard.harness.script").joinpath("skep.ipynb").read_text(encoding="utf-8")
    names: dict[str, object] = {}
    cells = json.loads(text)["cells"]
    assert len(cells) == 10
    for cell in cells:
        if cell["cell_type"] == "code":
            assert cell["outputs"] == []
            exec(compile("".join(cell["source"]), cell["id"], "exec"), names)
    assert {"backfeed", "weak-pull", "phantom-power"} & set(names["concerns"]["rule"])
    assert names["before"].outcome == "fail"
    left = names["wb"].frame(names["after"]).query("outcome == 'fail'")
    assert "RADIO_RST" not in set(left["of"])
    before, after = names["volts"]
    assert before > 2.0
    assert 0.0 < after < 0.8
    assert names["power"]._repr_png_().startswith(b"\x89PNG")
    assert names["table"].attrs["units"]["value"] == "si_unit"
