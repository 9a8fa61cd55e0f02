"""A package of somebody else's with one step kind and one part kind, found by its entry point."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from wakeboard.harness.describe import own
from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.run.session import take_unit

sys.path.insert(0, str(Path(__file__).parents[1] / "run"))
import toy

sys.path.pop(0)

CODE = '''"""The volts of one net as a share of another's."""

from typing import Literal

from wakeboard.harness.describe.toml.fields import OneOrMore
from wakeboard.harness.describe.sequence.step_model import StepModel
from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.run.decide import Limits, decide
from wakeboard.instruments.virtual.circuit.kind import Kind, Quantity

KIND = "portion"
NEEDS = Needs(power="on")


class Model(StepModel):
    do: Literal["portion"]
    of: OneOrMore


def run(context, model):
    first, second = [context.meter.volts().value for _ in context.meter.points(context.drawn.nets(model.of))]
    limits = Limits(None, 0.5, "step")
    context.log.number("portion", "number", second / first, "", limits, decide(second / first, 0.001, limits))


def _expand(d):
    d.conductance("1", "2", d.number("value") * 1e-3)


KINDS = (Kind("leak", ("1", "2"), {"value": Quantity("", None, "mS", required=True)}, _expand, "a leak", main="value",
              faults=("missing",)),)
'''


@pytest.mark.timeout(240)
def test_a_package_brings_a_step_kind_and_a_part_kind(tmp_path, monkeypatch):
    """Laid out as an installer lays it out: a package, and the metadata that names its module."""
    site = tmp_path / "site"
    (site / "somebody_elses").mkdir(parents=True)
    (site / "somebody_elses" / "__init__.py").write_text("")
    (site / "somebody_elses" / "kinds.py").write_text(CODE)
    meta = site / "somebody_elses-1.0.dist-info"
    meta.mkdir()
    (meta / "METADATA").write_text("Metadata-Version: 2.1\nName: somebody-elses\nVersion: 1.0\n")
    (meta / "entry_points.txt").write_text("[wakeboard.own]\nkinds = somebody_elses.kinds\n")
    monkeypatch.syspath_prepend(str(site))
    part = '[parts.G1]\nkind = "leak"\nvalue = 2\npins = ["EN", "GND"]\n\n[parts.U2]'
    (tmp_path / "board.toml").write_text(toy.BOARD.replace("[parts.U2]", part, 1), encoding="utf-8")
    steps = toy.SEQUENCE[: toy.SEQUENCE.index('[[step]]\ndo = "drive"')]
    step = '\n[[step]]\ndo = "portion"\nof = ["V33", "EN"]\n\n[[step]]\ndo = "power off"\n'
    (tmp_path / "sequence.toml").write_text(steps + step, encoding="utf-8")
    own.forget()
    try:
        record = take_unit(load_sequence(tmp_path / "sequence.toml"), unit="T1").record
        assert {each.kind: each.outcome for each in record.steps}["portion"] == "pass"
    finally:
        own.forget()
