"""What a step works with: the board, the bench, the state of both, and where its readings go.

    def run(context, model):
        for net in context.meter.points(context.drawn.nets(model.of)):
            context.log.record(net, "dc volts", context.meter.volts(), limits)

A step reaches points, takes measurements and records readings through this, and never talks to an instrument itself.
Every call that may take time beats the guard's heart first, and raises Tripped when the guard has cut the power: a step
needs no care of its own for that.

    time      the bench's clock: now, sleep, until, and pulse for a step that computes
    power     what is on and what is driven; switching
    drawn     what the drawing says in this state: nets behind names, what should be up, limits
    meter     points one after another, and their readings
    log       readings, remarks and what the kind of step keeps beside them
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from wakeboard.harness.run.errors import NoAnswer
from wakeboard.harness.run.services.drawn import Drawn
from wakeboard.harness.run.services.log import StepLog
from wakeboard.harness.run.services.meter import Probes
from wakeboard.harness.run.services.power import Power
from wakeboard.harness.run.services.timing import Timing

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.run.bench.bench import OpenBench
    from wakeboard.harness.run.ports import Observer
    from wakeboard.harness.run.predict import CircuitLimits


class Context:
    """Of one run. alive: False once the power was cut or the bench failed: nothing more is asked of the board then.
    stops: whether a failure of this step ends the run; folder: where the sequence's file stands."""

    def __init__(
        self,
        board: Board,
        bench: OpenBench,
        *,
        predictor: CircuitLimits,
        observer: Observer | None = None,
        asker: Callable[[str, bool], str] | None = None,
        unit: str = "",
        folder: str = "",
    ) -> None:
        self.unit = unit
        self.folder = folder
        self.board = board
        self.bench = bench
        self.guard = bench.guard
        self.predictor = predictor
        self.observer = observer
        self._asker = asker
        self.alive = True
        self.stops = False
        on: dict[str, tuple[float, float]] = {}
        self.time = Timing(bench, observer, on)
        self.power = Power(board, bench, self.time, on)
        self.log = StepLog(bench, self.time, observer, self.power.state)
        self.drawn = Drawn(board, predictor, self.power, self.time, bench.probing.reaches)
        self.meter = Probes(board, bench, self.time, self.power, self.log)

    def begin(self, stops: bool) -> None:
        """A fresh step."""
        self.log.begin()
        self.stops = stops

    def console(self, link: str | None = None) -> Any:
        return self.bench.console(link or (self.board.target.link if self.board.target else "console"))

    def ask(self, question: str, *, text: bool = False) -> str:
        """The operator's answer. Raises NoAnswer where nobody may be asked."""
        if self._asker is None:
            raise NoAnswer(question)
        return self._asker(question, text)
