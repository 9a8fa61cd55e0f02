"""How a run ends, piece by piece: with a guard, a bench and a store that are played."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.run import runner as runner_module
from wakeboard.harness.run.errors import OperatorStop, PowerCut, Refused, Tripped
from wakeboard.harness.run.guard.core import Cut
from wakeboard.harness.run.guard.terms import OffReport
from wakeboard.harness.run.runner import Runner
from wakeboard.instruments.errors import BenchError, LinkTimeout
from wakeboard.results.records import RunStart, Trip

OFF, UNKNOWN = OffReport({"USB": "off"}), OffReport({"USB": "unknown"}, {"USB": "no reply"})
CAME_ON = Cut("came-on", 1.0, math.nan, math.nan, "the output of USB: it is on")
START = RunStart("T-1", "Toy", "A", "", "Steps", "", "")


class PlayedGuard:
    """Answers from lists; the last answer goes on for ever. An exception is raised."""

    def __init__(self) -> None:
        self.offs: list[Any] = [OFF]
        self.looks: list[Any] = [OFF]
        self.asked: list[str] = []
        self.came_on: Cut | None = None
        self.tracks: Any = {}

    def _next(self, name: str, answers: list[Any]) -> Any:
        self.asked.append(name)
        answer = answers.pop(0) if len(answers) > 1 else answers[0]
        if isinstance(answer, BaseException):
            raise answer
        return answer

    def all_off(self) -> OffReport:
        return self._next("all_off", self.offs)  # type: ignore[no-any-return]

    def look_again(self) -> OffReport:
        return self._next("look_again", self.looks)  # type: ignore[no-any-return]

    def prove_off(self) -> OffReport:
        return self._next("prove_off", self.offs)  # type: ignore[no-any-return]

    def energised(self) -> float:
        return 2.5

    def acknowledge(self) -> None:
        self.asked.append("acknowledge")

    def beat(self, lease: float) -> None:
        self.asked.append("beat")

    def trace(self) -> Any:
        return self._next("trace", [self.tracks])

    def traffic(self) -> list[Any]:
        return [(12.0, "supply", ">", "OUTP OFF")]


class PlayedLog:
    def __init__(self) -> None:
        self.readings: list[Any] = []
        self.remarks: list[str] = []
        self.detail: dict[str, Any] = {}
        self.outcome: str | None = None
        self.notes = SimpleNamespace(relay_counts=None, not_reached=[])

    def say(self, text: str) -> None:
        self.remarks.append(text)


class PlayedContext:
    def __init__(self, guard: PlayedGuard) -> None:
        self.guard = guard
        self.power = SimpleNamespace(on={}, pins={}, doubtful={}, lying={}, off_unknown="not looked")
        self.time = SimpleNamespace(now=11.0, begun=10.0)
        self.log = PlayedLog()
        self.stops, self.alive = False, True

    def begin(self, stops: bool) -> None:
        self.log.remarks = []


class PlayedStore:
    def __init__(self) -> None:
        self.committed: list[Any] = []
        self.ended: list[dict[str, Any]] = []
        self.fails: Exception | None = None

    def begin(self, start: Any) -> str:
        return "run"

    def commit(self, step: Any) -> None:
        if self.fails:
            raise self.fails
        self.committed.append(step)

    def end(self, outcome: str, **what: Any) -> None:
        if self.fails:
            raise self.fails
        self.ended.append({"outcome": outcome, **what})


@pytest.fixture
def runner(monkeypatch: pytest.MonkeyPatch) -> Any:
    made = object.__new__(Runner)
    made._charged = ""
    made.sequence = SimpleNamespace(steps=[1, 2])
    made._more, made.start, made.observer = None, START, None
    probing = SimpleNamespace(by_hand=False, counts=lambda: {"101": 7})
    said = SimpleNamespace(time=11.5, instrument="meter", direction="<", text="1.0")
    made.bench = SimpleNamespace(
        supplies={"USB": 1}, probing=probing, self_check=True, take_traffic=lambda: [said]
    )  # fmt: skip
    made.recorder = PlayedStore()
    made.context = PlayedContext(PlayedGuard())
    made.steps, made.error, made.trip, made.ended_by = [], None, None, ""
    made._number, made._run_id, made._started, made._notes = 3, "", 0.0, []
    made._told = None
    monkeypatch.setattr(runner_module._discharge, "measure", lambda _context: None)
    return made


def test_a_good_end(runner: Any) -> None:
    result = runner.finish()
    assert (result.outcome, result.error, result.off) == ("pass", None, OFF)
    assert runner.context.guard.asked == ["all_off", "look_again"]
    assert runner.context.power.off_unknown == ""
    kept = runner.recorder.ended[0]
    assert kept == {"outcome": "pass", "outputs_off": True, "energised_s": 2.5, "trip": None, "says": ""}


def test_off_is_tried_three_times_whatever_is_raised(runner: Any) -> None:
    runner.context.guard.offs = [LinkTimeout("no reply"), KeyboardInterrupt(), OFF]
    assert runner._off() == OFF
    runner.context.guard.offs = [RuntimeError("broken")]
    runner.context.guard.asked.clear()
    report = runner._off()
    assert report.states == {"USB": "unknown"}
    assert report.errors == {"USB": "broken"}
    assert runner.context.guard.asked == ["all_off"] * 3


def test_unknown_is_told_and_no_discharge_is_measured(runner: Any) -> None:
    runner.context.guard.offs = [UNKNOWN]
    runner.context.power.on["USB"] = 5.0
    result = runner.finish()
    assert not result.off.confirmed
    assert "USB: unknown (no reply)" in runner.context.power.off_unknown
    assert "USB: unknown (no reply)" in result.record.says
    assert runner.recorder.ended[0]["outputs_off"] is False
    assert not runner.recorder.committed
    assert runner.context.guard.asked == ["all_off"], "there is nothing to look at again"


def test_a_board_that_was_on_is_discharged_in_a_step_of_its_own(runner: Any) -> None:
    runner.context.power.on["USB"] = runner.context.power.pins["P"] = 5.0
    runner.finish()
    (step,) = runner.recorder.committed
    assert (step.number, step.kind, step.outcome) == (4, "discharge", "pass")
    assert not runner.context.power.on
    assert not runner.context.power.pins
    asked = runner.context.guard.asked
    assert asked.index("acknowledge") > asked.index("all_off")


@pytest.mark.parametrize(("by_hand", "error", "measured"), [(True, KeyboardInterrupt(), False),
                                                            (True, LinkTimeout("x"), True),
                                                            (False, KeyboardInterrupt(), True),
                                                            (False, OperatorStop("x"), True)])  # fmt: skip
def test_who_stopped_by_hand_is_not_asked_to_probe(
    runner: Any, monkeypatch: pytest.MonkeyPatch, by_hand: bool, error: BaseException, measured: bool
) -> None:
    seen: list[int] = []
    monkeypatch.setattr(runner_module._discharge, "measure", lambda _context: seen.append(1))
    runner.bench.probing.by_hand = by_hand
    runner.error = error
    runner._discharge()
    assert bool(seen) is measured
    assert ("measure each rail by hand" in runner.recorder.committed[0].says) is not measured


def test_a_discharge_that_breaks_is_an_error_of_its_step(runner: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks(_context: Any) -> None:
        raise LinkTimeout("no reply")

    held: list[str] = []
    monkeypatch.setattr(runner_module._discharge, "measure", breaks)
    monkeypatch.setattr(runner_module.presses, "hold", held.append)
    runner._discharge()
    (step,) = runner.recorder.committed
    assert step.outcome == "error"
    assert step.says.startswith("the discharge was not measured (no reply")
    assert held == [runner_module.SWITCHING]


def test_a_store_that_fails_at_the_discharge_is_told(runner: Any) -> None:
    runner.recorder.fails = OSError("disk full")
    runner._discharge()
    assert str(runner.error) == "disk full"
    runner.error = first = LinkTimeout("first")
    runner._discharge()
    assert runner.error is first


def test_a_store_that_fails_at_the_end_hides_nothing(runner: Any) -> None:
    runner.recorder.fails = OSError("disk full")
    result = runner.finish()
    assert result.outcome == "error"
    assert result.record.says == "the run's end was not kept: disk full"
    assert result.off.confirmed
    assert str(result.error) == "disk full"


def test_a_last_look_that_fails_is_switched_off_again(runner: Any) -> None:
    runner.context.guard.looks = [LinkTimeout("no reply")]
    runner.context.guard.offs = [OFF, UNKNOWN]
    assert runner.finish().off == UNKNOWN


def test_an_output_that_came_on_is_the_benchs_failure_but_for_an_earlier_one(runner: Any) -> None:
    runner.context.guard.came_on = CAME_ON
    result = runner.finish()
    assert isinstance(result.error, PowerCut)
    assert result.outcome == "error"
    runner.error = first = LinkTimeout("no reply")
    result = runner.finish()
    assert result.error is first
    assert result.record.says.endswith("no reply; the output of USB: it is on")


def test_what_the_story_has_is_said_once(runner: Any) -> None:
    runner.context.guard.came_on = CAME_ON
    runner.context.guard.looks = [OffReport({"USB": "off"}, {}, {"USB": "it is on"})]
    says = runner.finish().record.says
    assert says.count("it is on") == 1
    runner.context.guard.looks = [OffReport({"USB": "off"}, {}, {"USB": "late"})]
    assert runner.finish().record.says.endswith("; USB: late")


def test_a_discharge_that_was_not_measured_stands_in_the_story(runner: Any) -> None:
    runner._charged = "not measured"
    assert "the discharge was not measured" in runner._says(OFF)


def test_what_the_meter_saw_is_believed(runner: Any) -> None:
    runner.context.power.lying["USB"] = "the meter sees 5 V"
    result = runner.finish()
    assert result.off.states == {"USB": "on"}
    assert result.outcome == "error"
    runner.context.power.lying.clear()
    runner.context.power.doubtful["USB"] = "nobody can tell"
    result = runner.finish()
    assert result.off.states == {"USB": "unknown"}
    assert result.outcome == "error"
    assert "nobody can tell" in result.record.says


@pytest.mark.parametrize(
    ("error", "trip", "outcome"),
    [
        (None, None, "pass"),
        (Tripped("USB", Cut("over-current", 1.0, 5.0, 1.0, "")), Trip("over-current", 1, "USB", 5.0, 1.0), "tripped"),
        (None, Trip("over-current", 1, "USB", 5.0, 1.0), "tripped"),
        (LinkTimeout("x"), Trip("over-current", 1, "USB", 5.0, 1.0), "error"),
        (KeyboardInterrupt(), None, "error"),
    ],
)
def test_the_outcome_of_a_run(runner: Any, error: Any, trip: Any, outcome: str) -> None:
    runner.error, runner.trip = error, trip
    assert runner._outcome() == outcome


def test_the_first_trip_is_kept_with_its_numbers(runner: Any) -> None:
    runner._note_trip(Tripped("USB", Cut("over-current", 1.0, 5.0, math.nan, "")))
    runner._note_trip(Tripped("AUX", Cut("lead-off", 1.0, 5.0, 0.0, "")))
    runner._note_trip(LinkTimeout("x"))
    assert runner.trip == Trip("over-current", 3, "USB", 5.0, None)


def test_a_break_is_switched_off_before_it_is_told(runner: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    order: list[str] = []
    monkeypatch.setattr(runner_module.presses, "hold", lambda _says: order.append("hold"))
    monkeypatch.setattr(runner.context.log, "say", lambda text: order.append(text))
    monkeypatch.setattr(runner.context.guard, "all_off", lambda: order.append("off"))
    error = LinkTimeout("no reply", instrument="meter")
    runner._broken(2, error)
    assert order[:2] == ["hold", "off"]
    assert error.step == "2"
    assert runner.context.alive is False
    assert runner.error is error
    error.step = "where it was"
    runner._broken(3, error)
    assert error.step == "where it was"
    runner._broken(3, KeyboardInterrupt())
    assert order[-1] == "broken off by Ctrl-C or a signal"


def test_an_off_that_fails_there_is_left_to_the_end(runner: Any) -> None:
    runner.context.guard.offs = [BenchError("no way")]
    runner._broken(2, LinkTimeout("no reply"))
    assert runner.context.log.remarks[-1].startswith("no reply")


def test_what_breaks_a_run_off_first_is_its_error(runner: Any) -> None:
    first = LinkTimeout("first")
    runner.break_off(first)
    runner.break_off(Tripped("USB", Cut("over-current", 1.0, 5.0, 1.0, "")))
    assert runner.error is first
    assert runner.trip is not None


def test_nothing_is_energised_where_off_is_not_confirmed(runner: Any) -> None:
    runner.context.guard.offs = [UNKNOWN]
    with pytest.raises(BenchError, match=r"USB: unknown .no reply.; nothing was energised"):
        runner.make_ready()


def test_traffic_and_trace_begin_with_the_step(runner: Any) -> None:
    assert runner._traffic() == [(1.5, "meter", "<", "1.0"), (2.0, "supply", ">", "OUTP OFF")]
    assert runner._trace() is None
    track = SimpleNamespace(times=[10.5, 11.0], volts=[5.0, 5.0], amps=[0.1, 0.1], limit=[0.2, 0.2], mode=["cv", "cv"])
    runner.context.guard.tracks = {"USB": track}
    assert runner._trace().supplies["USB"].times == [0.5, 1.0]
    runner.context.guard.tracks = LinkTimeout("gone")
    assert runner._trace() is None


@pytest.mark.parametrize(
    ("number", "kind", "more", "by_hand", "self_check", "noted"),
    [
        (2, "rails", False, False, True, True),
        (1, "rails", False, False, True, False),
        (1, "discharge", False, False, True, True),
        (2, "rails", True, False, True, False),
        (2, "rails", False, True, True, False),
        (2, "rails", False, False, False, False),
    ],
)
def test_relay_counts_go_with_the_last_step(
    runner: Any, number: int, kind: str, more: bool, by_hand: bool, self_check: bool, noted: bool
) -> None:
    runner._more = (lambda _runner: None) if more else None
    runner.bench.probing.by_hand, runner.bench.self_check = by_hand, self_check
    runner._note_relays(number, kind)
    assert (runner.context.log.notes.relay_counts == {"101": 7}) is noted


@pytest.mark.parametrize(
    ("outcome", "on_fail", "stops", "ends"),
    [
        ("pass", "stop", True, False),
        ("marginal", None, True, False),
        ("fail", None, True, True),
        ("fail", None, False, False),
        ("fail", "stop", False, True),
        ("fail", "go on", True, False),
        ("tripped", None, True, True),
        ("error", None, True, True),
    ],
)
def test_what_ends_a_run_after_a_step(runner: Any, outcome: str, on_fail: Any, stops: bool, ends: bool) -> None:
    runner.context.stops = stops
    step, model = SimpleNamespace(outcome=outcome), SimpleNamespace(on_fail=on_fail)
    assert runner._stops_after(step, model) is ends


def test_a_step_is_committed_kept_and_told(runner: Any) -> None:
    told: list[Any] = []
    runner.observer = SimpleNamespace(step_ends=told.append)
    runner.context.log.say("odd")
    step = runner._commit(2, "rails", "rails", 10.5, LinkTimeout("x"))
    assert (step.outcome, step.says, step.started, step.ended) == ("error", "odd", 10.5, 11.0)
    assert runner.recorder.committed == runner.steps == told == [step]
    assert runner.context.guard.asked.index("beat") > 0
    tripped = runner._commit(3, "rails", "rails", 10.5, Tripped("USB", Cut("over-current", 1.0, 5.0, 1.0, "")))
    assert tripped.outcome == "tripped"
    runner.context.log.outcome = "skipped"
    assert runner._commit(4, "ask", "ask", 10.5, None).outcome == "skipped"


def test_a_step_that_is_taken_is_given_back_and_may_end_the_run(runner: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    begins: list[Any] = []
    runner.observer = SimpleNamespace(step_begins=lambda *what: begins.append(what))
    kind = SimpleNamespace(name="rails", own=None, stops=False, needs=Needs("either", probes=False))
    monkeypatch.setattr(runner_module, "step_kinds", lambda: {"rails": kind})
    model = SimpleNamespace(do="rails", title="every rail", on_fail=None)
    made = SimpleNamespace(name="every rail", outcome="fail")
    monkeypatch.setattr(runner, "_step", lambda *_what: made)
    assert runner.take(model) is made
    assert begins == [(4, 4, "every rail", "rails")]
    assert runner.ended_by == ""
    runner.context.stops = True
    runner.take(model)
    assert runner.ended_by == "step 4, every rail: fail"
    runner.error = KeyboardInterrupt()
    runner.take(model)
    assert runner.ended_by == "KeyboardInterrupt"


# --- the steps, with kinds that are played ---
class PlayedKind:
    """A step kind that does what it is told."""

    def __init__(self, name: str, run: Any = None, before: Any = None) -> None:
        self.name, self.own, self.stops, self.before = name, None, False, before
        self.needs = Needs("either", probes=False)
        self.run = run or (lambda _context, _model: None)


@pytest.fixture
def steps(runner: Any, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Put steps into the sequence, and play their kinds; gives the order of what happened."""
    order: list[str] = []
    kinds: dict[str, PlayedKind] = {}
    monkeypatch.setattr(runner_module, "step_kinds", lambda: kinds)
    monkeypatch.setattr(runner_module, "check_at_rest", lambda _bench: ["the meter hums"])
    monkeypatch.setattr(runner_module.presses, "hold", lambda says="": order.append("hold"))
    monkeypatch.setattr(runner_module.presses, "arrived", lambda: order.append("arrived"))
    runner.bench.self_check = False

    def play(**made: Any) -> list[str]:
        for name, run in made.items():
            kinds[name] = PlayedKind(name, run, lambda _context, model: order.append(f"before {model.do}"))
        runner.sequence.steps = [SimpleNamespace(do=name, title=name, on_fail=None) for name in made]
        return order

    return play


def test_steps_are_taken_in_their_order_with_everything_off_before(runner: Any, steps: Any) -> None:
    order = steps(
        one=lambda _c, model: order.append(model.do),
        two=lambda _c, model: order.append(model.do),
    )
    result = runner.run()
    assert order == ["before one", "before two", "one", "two", "hold"]
    assert [(step.number, step.name) for step in result.record.steps] == [(4, "one"), (5, "two")]
    assert runner.recorder.committed == list(result.record.steps)
    assert runner.context.guard.asked.index("prove_off") == 0
    assert result.record.id == "run"
    assert result.record.started > 0
    assert [step.says for step in result.record.steps] == ["the meter hums", ""], "with the first step, once"


def test_a_step_kind_that_nobody_knows_is_refused_before_anything_is_asked(runner: Any, steps: Any) -> None:
    steps(one=None)
    runner.sequence.steps.append(SimpleNamespace(do="dance", title="dance", on_fail=None))
    result = runner.run()
    assert isinstance(result.error, Refused)
    assert 'no step kind "dance"; known: one' in result.record.says
    assert "prove_off" not in runner.context.guard.asked


def test_further_steps_are_asked_for_until_there_is_none(runner: Any, steps: Any) -> None:
    order = steps(one=lambda _c, model: order.append(model.do))
    more = [SimpleNamespace(do="one", title=title, on_fail=None) for title in ("again", "and again")]
    runner._more = lambda asked: more.pop(0) if asked is runner and more else None
    result = runner.run()
    assert [step.name for step in result.record.steps] == ["one", "again", "and again"]


def test_a_step_that_breaks_ends_the_run_and_is_committed(runner: Any, steps: Any) -> None:
    def breaks(_context: Any, _model: Any) -> None:
        raise LinkTimeout("no reply", instrument="meter")

    order = steps(one=breaks, two=lambda _c, model: order.append(model.do))
    result = runner.run()
    assert "two" not in order
    assert result.outcome == "error"
    assert [step.outcome for step in result.record.steps] == ["error"]
    assert runner.ended_by.startswith("no reply")
    assert "no reply" in result.record.steps[0].says
    assert order[-1] == "hold"
    assert runner.context.alive is False


def test_a_press_in_a_step_ends_the_run_with_presses_held(runner: Any, steps: Any) -> None:
    def pressed(_context: Any, _model: Any) -> None:
        raise KeyboardInterrupt

    order = steps(one=pressed)
    runner.context.power.on["USB"] = (5.0, 0.1)
    result = runner.run()
    assert isinstance(result.error, KeyboardInterrupt)
    assert order.index("hold") < order.index("arrived")
    assert result.record.says == "stopped by the operator"


def test_a_press_between_two_steps_ends_the_run(runner: Any, steps: Any) -> None:
    order = steps(one=None, two=lambda _c, model: order.append(model.do))

    def pressed(_step: Any) -> None:
        raise KeyboardInterrupt

    runner.observer = SimpleNamespace(step_begins=lambda *_what: None, step_ends=pressed)
    result = runner.run()
    assert isinstance(result.error, KeyboardInterrupt)
    assert [step.name for step in result.record.steps] == ["one"]
    assert runner.recorder.committed == list(result.record.steps), "once"
    assert "two" not in order
    assert order.index("hold") < order.index("arrived")


def test_a_press_that_comes_while_the_hold_begins_is_held_as_well(
    runner: Any, steps: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    order = steps(one=None)
    raising = [KeyboardInterrupt()]

    def hold(_says: str = "") -> None:
        order.append("hold")
        if raising:
            raise raising.pop()

    monkeypatch.setattr(runner_module.presses, "hold", hold)
    result = runner.run()
    assert isinstance(result.error, KeyboardInterrupt)
    assert order[-3:] == ["hold", "hold", "arrived"]


def test_a_press_that_nobody_saw_is_looked_for_when_the_steps_are_over(
    runner: Any, steps: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps(one=None)

    def look() -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(runner_module.presses, "look", look)
    assert isinstance(runner.run().error, KeyboardInterrupt)


def test_the_powers_of_a_press_are_taken_over_for_the_run(
    runner: Any, steps: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    import signal

    seen: list[Any] = []
    steps(one=lambda _c, _m: seen.append(signal.getsignal(signal.SIGINT)))
    runner.run()
    assert seen == [runner_module.presses._press]


def test_a_press_that_comes_too_late_is_told_but_not_beside_another_end(
    runner: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(runner_module.presses, "pressed", lambda: True)
    assert runner.finish().record.says == runner_module.TOO_LATE
    runner.error = LinkTimeout("no reply")
    assert runner.finish().record.says == "no reply"
    runner.error = KeyboardInterrupt()
    assert runner.finish().record.says == "stopped by the operator"


def test_a_press_in_the_last_discharge_stops_a_run_that_was_good(runner: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def pressed(_context: Any) -> None:
        raise KeyboardInterrupt

    seen: list[int] = []
    monkeypatch.setattr(runner_module.presses, "arrived", lambda: seen.append(1))
    monkeypatch.setattr(runner_module._discharge, "measure", pressed)
    runner.context.power.on["USB"] = (5.0, 0.1)
    result = runner.finish()
    assert isinstance(result.error, KeyboardInterrupt)
    assert seen, "the press did not get lost"
    assert "(broken off by Ctrl-C or a signal)" in runner.recorder.committed[0].says
    runner.error = first = LinkTimeout("no reply")
    runner._discharge()
    assert runner.error is first


def _pressed() -> None:
    raise KeyboardInterrupt


def _tripped_over_a_press() -> None:
    """As a library does, whose state a press has left half made."""
    try:
        raise KeyboardInterrupt
    finally:
        raise AssertionError


@pytest.mark.parametrize("press", [_pressed, _tripped_over_a_press])
@pytest.mark.parametrize("written", [False, True])
def test_a_press_while_a_step_is_committed_loses_no_step(runner: Any, steps: Any, press: Any, written: bool) -> None:
    order = steps(one=None, two=lambda _c, model: order.append(model.do))
    asked, kept = runner.context.guard.asked, runner.recorder.committed
    presses, commit = [press], runner.recorder.commit
    tried: list[Any] = []

    def interrupted(step: Any) -> None:
        tried.append(step)
        if not presses:
            assert asked[-1] == "all_off", "the power goes off before the step is written once more"
        if presses and not written:
            presses.pop()()
        if step not in kept:
            commit(step)
        if presses:
            presses.pop()()

    runner.recorder.commit = interrupted
    result = runner.run()
    assert [step.name for step in kept] == [step.name for step in result.record.steps] == ["one"]
    assert tried[0] is tried[1], "the very same: another content would be refused"
    assert isinstance(result.error, KeyboardInterrupt)
    assert (result.outcome, result.record.says) == ("error", "stopped by the operator")
    assert result.record.steps[0].outcome == "pass", "it was over"
    assert "two" not in order
    assert order.index("hold") < order.index("arrived")


def test_a_press_while_a_step_is_told_loses_no_step(runner: Any, steps: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    steps(one=None, two=None)
    presses, traffic = [_pressed], runner.context.guard.traffic
    monkeypatch.setattr(runner.context.guard, "traffic", lambda: presses.pop()() if presses else traffic())
    result = runner.run()
    assert [(step.name, step.outcome) for step in runner.recorder.committed] == [("one", "error")]
    assert [text for _, _, _, text in result.record.steps[0].traffic] == ["1.0", "OUTP OFF"]
    assert result.record.says == "stopped by the operator"


@pytest.mark.parametrize("times", [1, 100])
def test_a_store_that_fails_at_a_step_ends_the_run_as_before(runner: Any, steps: Any, times: int) -> None:
    """Nobody pressed: it is not written once more."""
    steps(one=None, two=None)
    failing = LinkTimeout("disk full")
    tried: list[Any] = []
    keep = runner.recorder.commit

    def commit(step: Any) -> None:
        tried.append(step)
        if len(tried) <= times:
            raise failing
        keep(step)

    runner.recorder.commit = commit
    result = runner.run()
    assert result.error is failing
    assert not result.record.steps
    assert len(tried) == 1


def test_what_a_step_named_and_did_not_measure_is_looked_for(
    runner: Any, steps: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the step, so that a failure there is the step's."""
    asked: list[Any] = []

    def tell(context: Any, model: Any, kind: Any) -> None:
        asked.append((context, model.do, kind.name))
        raise LinkTimeout("no reply")

    monkeypatch.setattr(runner_module.unmeasured, "tell", tell)
    steps(one=None, two=None)
    result = runner.run()
    assert asked == [(runner.context, "one", "one")]
    assert [(step.name, step.outcome) for step in result.record.steps] == [("one", "error")]


def test_relay_counts_are_asked_for_before_the_last_step_is_committed(runner: Any) -> None:
    runner.recorder.commit = lambda _step: runner.recorder.committed.append(runner.context.log.notes.relay_counts)
    runner._commit(1, "rails", "rails", 10.5, None)
    runner._commit(2, "rails", "rails", 10.5, None)
    assert runner.recorder.committed == [None, {"101": 7}]
