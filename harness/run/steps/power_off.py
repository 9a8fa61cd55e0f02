"""Supplies off, said to be off, and the discharge of each rail measured.

Off is not at zero: supplies stop driving, and the board's own capacitors decide. The step ends when every rail (and
every supply's net) is below the limit, or fails when one is not in time: then something still feeds it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from wakeboard.harness.describe.problems import one_of, quoted
from wakeboard.harness.describe.sequence.step_model import StepModel
from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.describe.toml.fields import OneOrMore, Seconds, VoltsLimits
from wakeboard.harness.run.steps import _discharge
from wakeboard.instruments.errors import OutputOnError
from wakeboard.results.told import DischargeTold

if TYPE_CHECKING:
    from collections.abc import Mapping

    from wakeboard.harness.describe.sequence.paper import Paper
    from wakeboard.harness.run.context import Context

KIND = "power off"
NEEDS = Needs(power="either", ends=True)
TELLS = (DischargeTold,)
STOPS = True
FAILED = _discharge.CHARGED


class Model(StepModel):
    """supply: which; all that are on where not given. expect: the limit for each rail; within: how long it may take."""

    do: Literal["power off"]
    supply: OneOrMore = ()
    expect: VoltsLimits | None = None
    within: Seconds = _discharge.WITHIN


def on_paper(paper: Paper, table: Mapping[str, object]) -> None:
    """Only what is on is switched off; all of it where no supply is named."""
    named = paper.names(table.get("supply"))
    for supply in named:
        if supply in paper.board.supplies and supply not in paper.on:
            paper.problem("supply", f"{quoted(supply)}, which is not on", one_of(paper.on))
    paper.on -= set(named) if named else set(paper.on)


def run(context: Context, model: Model) -> None:
    context.power.switch_off(model.supply or tuple(context.power.on))
    if not context.power.on:
        most = model.expect.high if model.expect is not None and model.expect.high is not None else None
        _discharge.measure(context, most, model.within)
    for name, why in {**context.power.doubtful, **context.power.lying}.items():
        raise OutputOnError(why, instrument=context.guard.instrument(name))
