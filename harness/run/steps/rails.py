"""Every rail that should be up, against its limits: from the step, the board file, or the circuit's tolerances."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from wakeboard.harness.describe.sequence.step_model import Of, StepModel
from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.describe.toml.fields import VoltsLimits
from wakeboard.results.told import RailsTold

if TYPE_CHECKING:
    from wakeboard.harness.run.context import Context

KIND = "rails"
NEEDS = Needs(power="on", of=("rails",))
TELLS = (RailsTold,)


class Model(StepModel):
    """of: rails; where not given, all that should be up in this state of the bench. A rail that is named and should be
    off is measured too and held against the circuit."""

    do: Literal["rails"]
    of: Of = ("all",)
    expect: VoltsLimits | None = None


def run(context: Context, model: Model) -> None:
    context.power.need_on(KIND)
    named = not set(model.of) & {"all", "every rail"}
    rails = list(model.of) if named else [name for name in context.board.rails if context.drawn.is_up(name)]
    off = [name for name in context.board.rails if name not in rails]
    nets = {context.board.rails[name].net: name for name in rails}
    for net in context.meter.points(nets):
        limits = context.drawn.rail_limits(nets[net], model.expect)
        context.log.record(net, "dc volts", context.meter.volts_for(limits), limits)
    if off:
        context.log.tell(RailsTold(off))
