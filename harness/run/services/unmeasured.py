"""What a step named and did not measure: silence would pass for a good board.

A net that no probe of this bench reaches is the bench's failure, and the step an error: it says nothing of the board.
One that the state of the board gives no reason to measure (a line whose rail is off) is skipped, and said to be. Groups
("every line") name nothing: what they leave out is a remark; a step that measured nothing of them at all is skipped.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

from wakeboard.harness.run import topology
from wakeboard.harness.run.decide import worst

if TYPE_CHECKING:
    from wakeboard.harness.describe.sequence.steps import StepKind
    from wakeboard.harness.run.context import Context

NO_POINT: Final = "not measured: no point reaches it on this bench"
NO_REASON: Final = "not measured: in this state nothing is expected of it"


def tell(context: Context, model: object, kind: StepKind) -> None:
    """With the step's readings: one for each net that it named and left out."""
    left_out = [net for net in _named(context, model) if net not in _looked_at(context)]
    if kind.needs.probes:
        for net in left_out:
            if not context.meter.reaches(net):
                context.log.text(net, "", "error", says=NO_POINT)
                context.log.outcome = context.log.outcome and worst(("error", context.log.outcome))
            elif worst(each.outcome for each in context.log.readings) in ("pass", "skipped"):
                context.log.text(net, "", "skipped", says=NO_REASON)
    if context.log.notes.not_reached and not context.log.readings:
        context.log.outcome = "skipped"


def _named(context: Context, model: object) -> list[str]:
    """The nets that the step's `of` names, groups aside."""
    of = getattr(model, "of", ())
    names: Iterable[str] = (of,) if isinstance(of, str) else of
    return list(dict.fromkeys(context.drawn.net(name) for name in names if not topology.is_group(name)))


def _looked_at(context: Context) -> set[str]:
    return context.log.reached | {reading.of for reading in context.log.readings}
