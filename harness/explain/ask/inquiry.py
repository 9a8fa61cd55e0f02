"""Measures what tells most, step after step: gives a runner its next step, and takes up what the last one has read.

    inquiry = Inquiry(explanation, Ways.of(run, board), tell=…)
    take_unit(…, more=inquiry)           the run's own guard, limits and recorder; nothing here talks to an instrument
    inquiry.take_up(result.record.steps) what was read before the run was broken off counts too

The board is brought into a state by the steps of the sequence of the run that is explained: its check for a short, its
limit, its ramp, its envelope. A state is left the same way: power off, with the discharge measured.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from wakeboard.harness.describe.sequence.steps import step_kinds
from wakeboard.harness.describe.state import BenchState, StateError
from wakeboard.harness.explain.choose.least_effort import Choice, Measurement
from wakeboard.harness.explain.choose.possible import LIGHT_LOAD, LOW_CURRENT_RANGE
from wakeboard.harness.explain.evidence.observe import CURRENT, OHMS, REVERSED, Observation, observation
from wakeboard.harness.explain.explaining import explain_case, next_choices
from wakeboard.harness.explain.explanation import Explanation
from wakeboard.harness.run.services.timing import COMPUTE_LEASE
from wakeboard.instruments.virtual.circuit.bench.figures import VOLTMETER_OHMS

if TYPE_CHECKING:
    from wakeboard.harness.describe.sequence.step_model import StepModel
    from wakeboard.harness.explain.ask.bench_states import Ways
    from wakeboard.harness.run.context import Context
    from wakeboard.harness.run.runner import Runner
    from wakeboard.results.records import Reading, Step

MOST = 12
"""Measurements after which it ends in any case."""
LIFTED = "a part would have to be lifted"


@dataclass(frozen=True, slots=True)
class Taken:
    """A measurement that was asked for, with what was read for it; none where it could not be taken."""

    choice: Choice
    readings: tuple[Reading, ...] = ()


@dataclass
class Inquiry:
    """tell: called with each new explanation. links: the console links that the bench has, None: all. helped: whether a
    person is there who can hold a resistor."""

    explanation: Explanation
    ways: Ways
    tell: Callable[[Explanation, Choice | None], None] = lambda _explanation, _next: None
    pairs: bool = True
    links: frozenset[str] | None = None
    helped: bool = False
    taken: list[Taken] = field(default_factory=list)
    refused: dict[str, int] = field(default_factory=dict)  # why -> how many proposals were not measured
    _queue: deque[StepModel] = field(default_factory=deque)
    _asked: Choice | None = None
    _done: set[tuple[str, str, str, str]] = field(default_factory=set)
    _over: bool = False
    _seen: int = 0
    _fresh: bool = False  # whether something was read since it was weighed
    _checked: set[str] = field(default_factory=set)
    _silent: set[str] = field(default_factory=set)  # supplies with which the board did not do what it was asked to
    _refusals: dict[str, set[tuple[str, str, str, str]]] = field(default_factory=dict)

    def __call__(self, runner: Runner) -> StepModel | None:
        """The next step; None at the end. Raises what the guard raises."""
        context = runner.context
        self._fresh |= self.take_up(runner.steps)
        if not self._over and (not self._queue or self._went_wrong(context, self._queue[0])):
            self._queue.clear()
            with self._beating(context):
                if self._fresh:
                    self.weigh()
                self._next(context)
        if self._queue:
            return self._queue.popleft()
        return _step("power off") if context.power.on else None

    # --- taking up --------------------------------------------------------------------------------------------------
    def take_up(self, steps: Sequence[Step]) -> bool:
        """The readings of steps that are new become part of the case; whether there were any."""
        case = self.explanation.case
        new = steps[self._seen :]
        self._seen = len(steps)
        assert case is not None
        made = [o for step in new for reading in step.readings if (o := self._observed(reading, step)) is not None]
        if self._asked is not None:
            net = self._asked.measurement.detail["net"]
            values = tuple(r for step in new for r in step.readings if r.of == net and r.outcome != "skipped")
            self.taken[-1] = replace(self.taken[-1], readings=(*self.taken[-1].readings, *values))
        if made:
            self.explanation = replace(self.explanation, case=replace(case, extra=(*case.extra, *made)))
        return bool(made)

    def _observed(self, reading: Reading, step: Step) -> Observation | None:
        case = self.explanation.case
        assert case is not None
        made = observation(reading, step, case.model.net_of)
        known = case.model.circuit.nets
        return made if made is not None and (made.quantity == CURRENT or made.of in known) else None

    @contextmanager
    def _beating(self, context: Context) -> Iterator[None]:
        """While it is thought, the board may have power, at rest: the guard hears of each piece of work, and cuts the
        power where one of them hangs."""
        case = self.explanation.case
        assert case is not None
        if not context.power.on:
            yield
            return
        stand = case.model.stand
        before, stand.between = stand.between, lambda: context.time.pulse(COMPUTE_LEASE)
        try:
            context.time.pulse(COMPUTE_LEASE)
            yield
            context.time.pulse()
        finally:
            stand.between = before

    def finish(self, steps: Sequence[Step]) -> Explanation:
        """The explanation with all that was read, the last before a run was broken off included, and what would be
        measured next."""
        if self.take_up(steps) or self._fresh:
            self.weigh()
        self.explanation = replace(self.explanation, next=tuple(next_choices(self.explanation)))
        return self.explanation

    def weigh(self) -> None:
        """The explanation with all that was read so far."""
        before = self.explanation
        assert before.case is not None
        after = explain_case(before.case, before.others, pairs=self.pairs, ask_next=False, reference=before.reference)
        self.explanation = replace(after, notes=before.notes)
        self._fresh = False

    # --- choosing ---------------------------------------------------------------------------------------------------
    def _next(self, context: Context) -> None:
        """The steps to what tells most; none where nothing is left to tell, or to reach."""
        self._asked = None
        choice = None
        if len(self.taken) < MOST:
            choice = next(iter(next_choices(self.explanation, 1, lambda m: self._usable(context, m))), None)
        self.tell(self.explanation, choice)
        if choice is None:
            self._over = True
            return
        self._done.add(choice.measurement.key)
        self._asked = choice
        self.taken.append(Taken(choice))
        self._queue.extend(self._steps_to(context, choice.measurement))

    def _usable(self, context: Context, wanted: Measurement) -> bool:
        if wanted.key in self._done:
            return False
        why = self._hinders(context, wanted)
        if why and why != LIFTED:
            self._refusals.setdefault(why, set()).add(wanted.key)
            self.refused[why] = len(self._refusals[why])
        return not why

    def _hinders(self, context: Context, wanted: Measurement) -> str:
        """Why this bench cannot take a measurement, or must not; "" where it can."""
        try:
            state = BenchState.parse(wanted.state)
        except StateError:
            return LIFTED
        net = str(wanted.detail["net"])
        if not context.meter.reaches(net):
            return f"no point reaches {net}"
        if state.pins and BenchState(state.supplies).key in self._silent:
            return "the board does not move its pins when it is asked to"
        link = context.board.target.link if context.board.target else ""
        if state.pins and self.links is not None and link not in self.links:
            return f"the bench has no link {link}"
        if _resistor(state) is not None and context.bench.bleed_ohms is None and not self.helped:
            return "the bench has no test resistor, and nobody may be asked to hold one"
        return self.ways.refuses(state)

    def _steps_to(self, context: Context, wanted: Measurement) -> list[StepModel]:
        net = str(wanted.detail["net"])
        if wanted.quantity in (OHMS, REVERSED):
            both = wanted.quantity == REVERSED or not context.bench.probing.by_hand
            scale = wanted.detail.get("range")
            more = {"range": f"{scale:.6g} Ω", "shunt": True} if scale == LOW_CURRENT_RANGE else {}
            made = _step("resistance", of=[net], both_polarities=both, on_fail="go on", name=wanted.does, **more)
            return [*self._all_off(context), made]
        state = BenchState.parse(wanted.state)
        steps = self._to_supplies(context, state) + self._to_pins(context, state)
        load = _resistor(state)
        more = {} if load is None else {"load": f"{load:.6g} Ω"}
        return [*steps, _step("probe", of=net, name=wanted.does, **more)]

    def _all_off(self, context: Context) -> list[StepModel]:
        return [_step("power off")] if context.power.on else []

    def _to_supplies(self, context: Context, state: BenchState) -> list[StepModel]:
        if BenchState(context.power.on).key == BenchState(state.supplies).key:
            return []
        steps = self._all_off(context)
        for supply in state.supplies:
            if supply not in self._checked:
                self._checked.add(supply)  # what fails it ends the run
                steps += self.ways.checks(supply)
        on = [self.ways.power_on(supply, setting) for supply, setting in state.supplies.items()]
        return steps + [step for step in on if step is not None]

    def _to_pins(self, context: Context, state: BenchState) -> list[StepModel]:
        stays = BenchState(context.power.on).key == BenchState(state.supplies).key
        now = dict(context.power.pins) if stays else {}
        steps = [_drive(pin, "off") for pin in now if pin not in state.pins]
        return steps + [_drive(pin, level) for pin, level in state.pins.items() if now.get(pin) != level]

    def _went_wrong(self, context: Context, step: StepModel) -> bool:
        """Whether the state for a probe was not reached: the board did not move a pin as it was asked to."""
        if step.do != "probe" or self._asked is None:
            return False
        wanted = BenchState.parse(self._asked.measurement.state)
        if any(context.power.pins.get(pin) != level for pin, level in wanted.pins.items()):
            self._silent.add(BenchState(wanted.supplies).key)
        return BenchState(context.power.on, context.power.pins).key != BenchState(wanted.supplies, wanted.pins).key


def _resistor(state: BenchState) -> float | None:
    """The test resistor of a state, the meter's own input taken out; None where the load is the meter alone."""
    if state.load_ohms is None or state.load_ohms >= LIGHT_LOAD:
        return None
    return 1.0 / (1.0 / state.load_ohms - 1.0 / VOLTMETER_OHMS)


def _step(do: str, **keys: object) -> StepModel:
    return step_kinds()[do].Model.model_validate({"do": do, **keys})


def _drive(pin: str, level: str) -> StepModel:
    return _step("drive", pin=pin, level=level, keep=True, name=f"{pin} {level}")
