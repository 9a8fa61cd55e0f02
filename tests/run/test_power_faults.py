"""Supplies, programs and persons that do what nobody expects while a board has power; each fault is set at run time.

What happened is asked of the virtual output itself: how long it fed the board, and whether it does at the end.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
from collections.abc import Callable
from typing import Any

import pytest

from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.run import presses
from wakeboard.harness.run.bench.opening import open_virtual
from wakeboard.harness.run.runner import Result, Runner
from wakeboard.harness.run.session import exit_code, run_start
from wakeboard.instruments.errors import LinkTimeout
from wakeboard.instruments.virtual.hardware.psu import Output

POWER_ON = '[[step]]\ndo = "power on"\nsupply = "USB"\nlimit = "100 mA"\nwhy = "a test"\n'
WAIT = '[[step]]\ndo = "wait"\nfor = "3 s"\n'
POWER_OFF = '[[step]]\ndo = "power off"\n'


class Disobedient(Output):
    """It says the limit that it was set to, and lets through ten times as much."""

    @property
    def actual_limit(self) -> float:
        return 10 * self.settings.amps


class Leaking(Output):
    """Told to be off it says so, and goes on feeding."""

    def switch(self, on: bool) -> None:
        if on:
            super().switch(on)
        self.on = on

    def true_amps(self) -> float:
        return -self.stage.current(self.part, "P") if self.part is not None else 0.0


class Returning(Output):
    """A relay that falls back: on again a while after it was switched off, so many times."""

    times = 1
    after = 0.02

    def switch(self, on: bool) -> None:
        was = self.on
        super().switch(on)
        if was and not on and self.times > 0:
            self.times -= 1
            self.stage.at(self.stage.now + self.after, lambda: Output.switch(self, True))


class Bench:
    """A run on the virtual bench, with what is done to it while it runs."""

    def __init__(self, bench: Any) -> None:
        self.bench = bench
        self.stage = bench.virtual.stage
        self.outputs = bench.virtual.psus[0].supply.outputs

    def become(self, number: int, kind: type[Output]) -> Any:
        self.outputs[number - 1].__class__ = kind
        return self.outputs[number - 1]

    def at(self, seconds: float, action: Callable[[], Any]) -> None:
        self.stage.at(self.stage.now + seconds, action)


@pytest.fixture
def run(toy: Any) -> Callable[..., tuple[Result, Bench]]:
    def run(
        prepare: Callable[[Bench], Any], steps: str = POWER_ON + WAIT + POWER_OFF, plants: tuple[str, ...] = (),
        **options: Any,
    ) -> tuple[Result, Bench]:  # fmt: skip
        sequence = load_sequence(toy.steps(steps))
        with presses.guarded(), open_virtual(sequence.board, unit="T-1", plants=plants, **options) as opened:
            bench = Bench(opened)
            opened.self_check = False  # the comparison at low voltages would notice some of it by itself
            prepare(bench)
            result = Runner(sequence, opened, run_start(sequence, opened, "T-1")).run()
            bench.on = [output.on for output in bench.outputs]  # type: ignore[attr-defined]
            for output in bench.outputs:
                output.__class__ = Output
        return result, bench

    return run


# --- current above the limit ----------------------------------------------------------------------------------------
def test_a_supply_that_does_not_hold_its_limit_is_cut(run: Any) -> None:
    def prepare(bench: Bench) -> None:
        bench.become(1, Disobedient)
        bench.at(1.0, lambda: bench.stage.change({"R1.value": 9.0}))  # half an ampere

    result, _ = run(prepare)
    assert result.outcome == "tripped", result.record.says
    assert result.record.trip.rule == "over-current"
    assert result.record.trip.amps > 0.4
    assert "does not hold its limit" in str(result.error)
    assert result.off.confirmed


@pytest.mark.parametrize("ohms", [9.0, 1e5])
def test_a_limit_that_another_program_has_raised_is_noticed(run: Any, ohms: float) -> None:
    """With the board drawing more by then, and as it was."""

    def meddle(bench: Bench) -> None:
        bench.outputs[0].set_amps(2.0)
        bench.stage.change({"R1.value": ohms})

    result, _ = run(lambda bench: bench.at(1.0, lambda: meddle(bench)))
    assert exit_code(result) in (1, 3), result.record.says
    assert result.outcome in ("tripped", "error")
    assert result.off.confirmed
    if ohms > 1e4:
        assert "was set to 0.1 A and says 2 A" in result.record.says
        assert "another program" in result.record.says


def test_a_voltage_that_another_program_has_changed_is_noticed(run: Any) -> None:
    result, _ = run(lambda bench: bench.at(1.0, lambda: bench.outputs[0].set_volts(5.2)))
    assert result.outcome == "error"
    assert "was set to 5 V and says 5.2 V" in result.record.says


PROTECTIONS = [
    ("e36312a", {"ovp_on": False}, "a protection was armed and says that it is off"),
    ("e36312a", {"ocp_on": False}, "a protection was armed and says that it is off"),
    ("dp832a", {"ocp": 3.0}, "and says 3"),
    ("e36312a", {"ovp": 6.5}, "and says 6.5"),
]


@pytest.mark.parametrize(("psu", "changed", "says"), PROTECTIONS)
def test_a_protection_that_another_program_has_disarmed_is_noticed(
    run: Any, psu: str, changed: dict[str, Any], says: str
) -> None:
    def meddle(bench: Bench) -> None:
        for key, value in changed.items():
            assert getattr(bench.outputs[0].settings, key) not in (None, value), "it was armed"
            setattr(bench.outputs[0].settings, key, value)

    result, _ = run(lambda bench: bench.at(1.0, lambda: meddle(bench)), psu=psu)
    assert result.outcome == "error"
    assert says in result.record.says
    assert "another program" in result.record.says
    assert result.off.confirmed


@pytest.mark.parametrize("psu", ["e36312a", "dp832a"])
def test_an_output_that_another_program_switches_off_says_nothing_of_the_unit(run: Any, psu: str) -> None:
    result, _ = run(lambda bench: bench.at(1.0, lambda: bench.outputs[0].switch(False)), psu=psu)
    assert result.outcome == "error", result.record.says
    assert "no protection of its own has tripped" in result.record.says
    assert result.off.confirmed


@pytest.mark.parametrize("kind", ["ovp", "ocp"])
def test_an_output_that_the_supplys_own_protection_switches_off_is_a_trip(run: Any, kind: str) -> None:
    result, _ = run(lambda bench: bench.at(1.0, lambda: bench.outputs[0].trip(kind)))
    assert result.outcome == "tripped", result.record.says
    assert f"its own protection ({kind})" in str(result.error)


def test_a_current_into_the_supply_is_cut_though_it_holds_its_voltage(run: Any) -> None:
    """A supply that can sink, and a cell that was fitted."""

    class Sinking(Output):
        def read_amps(self) -> float:
            return -0.4

    def fit(bench: Bench) -> None:
        bench.become(1, Sinking)
        bench.stage.change({"R1.value": 1e5})

    result, _ = run(lambda bench: bench.at(1.0, lambda: fit(bench)))
    assert result.outcome == "tripped", result.record.says
    assert result.record.trip.rule == "reverse-current"
    assert "flow into the supply" in str(result.error)
    assert result.off.confirmed


def test_a_reading_that_is_none_is_the_benchs_failure(run: Any) -> None:
    class Silent(Output):
        def true_volts(self) -> float:
            return -9.9e37

    result, _ = run(lambda bench: bench.at(1.0, lambda: bench.become(1, Silent)))
    assert result.outcome == "error"
    assert result.record.trip is None
    assert "no reading" in result.record.says


# --- off that is none -----------------------------------------------------------------------------------------------
def test_an_output_that_says_off_and_feeds_a_short_is_on(run: Any) -> None:
    """0.3 V, 100 mA: below every voltage that the discharge minds."""

    def weld(bench: Bench) -> None:
        bench.become(1, Leaking)
        bench.stage.change({"R1.value": 2.5})

    steps = POWER_ON.replace('why = "a test"', 'why = "a test"\ninrush = "10 s"') + WAIT + POWER_OFF
    result, _ = run(lambda bench: bench.at(1.0, lambda: weld(bench)), steps)
    assert exit_code(result) == 6, result.record.says
    assert result.off.states["USB"] == "on"
    assert result.record.outputs_off is False
    assert "come out of it" in result.off.says()


def test_an_output_whose_current_cannot_be_read_is_unknown(run: Any) -> None:
    class Mute(Output):
        def true_amps(self) -> float:
            return super().true_amps() if self.on else 9.91e37

    result, _ = run(lambda bench: bench.become(1, Mute))
    assert exit_code(result) == 6
    assert result.off.states["USB"] == "unknown"


# --- outputs that come on by themselves -----------------------------------------------------------------------------
def fed(bench: Bench, number: int = 1) -> Any:
    """The output, with a record of when it went on and off."""
    output, switched = bench.outputs[number - 1], []
    bench.stage.watch(lambda: switched.append((bench.stage.now, output.on)))
    output_times: list[tuple[float, bool]] = switched
    return output_times


def test_an_output_that_comes_back_is_no_failing_unit(run: Any) -> None:
    times: list[Any] = []

    def prepare(bench: Bench) -> None:
        bench.become(1, Returning)
        times.append(fed(bench))

    result, bench = run(prepare)
    assert result.outcome == "error", result.record.says
    assert exit_code(result) == 3
    assert "it came back, or was switched on" in result.record.says
    assert not [reading for _, reading in result.record.readings() if reading.outcome == "fail"]
    assert not bench.on[0]
    last = [at for at, on in times[0] if on][-1]
    first_off = next(at for at, on in times[0] if not on and at > 3.0)
    assert last - first_off < 0.5


def test_an_output_that_goes_off_at_the_second_command_only_is_told(run: Any) -> None:
    """Slow, or back within milliseconds: it is off, and the run's result stands; the story has it."""

    class Reluctant(Output):
        told = 0

        def switch(self, on: bool) -> None:
            self.told += not on and self.on
            if on or self.told > 1:
                super().switch(on)

    result, bench = run(lambda bench: bench.at(1.0, lambda: bench.become(1, Reluctant)))
    assert exit_code(result) == 0
    assert result.off.confirmed
    assert "USB: after the off command it was on, or came back at once; it went off at a further" in result.record.says
    assert not any(bench.on)


def test_an_output_that_comes_back_again_and_again_is_on(run: Any) -> None:
    class Chattering(Returning):
        times = 1000

    result, _ = run(lambda bench: bench.become(1, Chattering))
    assert exit_code(result) == 6
    assert result.off.states["USB"] == "on"


@pytest.mark.parametrize(("number", "name"), [(2, "AUX"), (3, "supply output 3")])
def test_an_output_that_another_program_switches_on_ends_the_run(run: Any, number: int, name: str) -> None:
    """The one that feeds another supply of the board, and one that feeds nothing, as far as the bench file knows."""

    def meddle(bench: Bench) -> None:
        bench.outputs[number - 1].set_volts(1.0)
        bench.outputs[number - 1].switch(True)

    result, bench = run(lambda bench: bench.at(1.0, lambda: meddle(bench)))
    assert result.outcome == "error", result.record.says
    assert exit_code(result) == 3
    assert f"the output of {name}: it is on" in result.record.says
    assert not any(bench.on)


def test_before_anything_is_energised_it_is_seen_as_well(run: Any) -> None:
    steps = '[[step]]\ndo = "wait"\nfor = "8 s"\n' + POWER_ON + POWER_OFF

    def meddle(bench: Bench) -> None:
        bench.outputs[1].set_volts(1.0)
        bench.outputs[1].switch(True)

    result, bench = run(lambda bench: bench.at(1.0, lambda: meddle(bench)), steps)
    assert exit_code(result) == 3
    assert [step.kind for step in result.record.steps] == ["wait"]
    assert not any(bench.on)


def test_an_output_of_somebody_else_that_was_on_is_left_alone(run: Any) -> None:
    def prepare(bench: Bench) -> None:
        bench.outputs[2].set_volts(1.0)
        bench.outputs[2].switch(True)

    result, bench = run(prepare)
    assert exit_code(result) == 0, result.record.says
    assert bench.on == [False, False, True]


# --- presses --------------------------------------------------------------------------------------------------------
@pytest.fixture
def press(monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """Ctrl-C, as the terminal sends it; for this thread at once."""
    if threading.current_thread() is not threading.main_thread():
        pytest.skip("signals reach the main thread only")
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    monkeypatch.setattr(presses, "ONE_PRESS", 60.0)

    def press() -> None:
        os.kill(os.getpid(), signal.SIGINT)

    yield press  # type: ignore[misc]
    signal.signal(signal.SIGINT, before)


def pressing_at_each(bench: Bench, press: Callable[[], None], name: str = "off") -> list[str]:
    """A press at each call of a driver's method, before and after."""
    psu = bench.bench.guard.guard.feeds["USB"].psu
    inner, calls = getattr(psu, name), []

    def pressed(*arguments: Any) -> Any:
        calls.append(name)
        press()
        answer = inner(*arguments)
        press()
        return answer

    bench.at(1.0, lambda: setattr(psu, name, pressed))
    return calls


def test_a_burst_of_presses_ends_the_run_once(run: Any, press: Callable[[], None]) -> None:
    def prepare(bench: Bench) -> None:
        for name in ("off", "measure", "is_on"):
            pressing_at_each(bench, press, name)
        bench.at(2.0, press)

    result, bench = run(prepare)
    assert exit_code(result) == 4
    assert "stopped by the operator" in result.record.says
    assert result.record.outputs_off is True
    assert not any(bench.on)


def test_presses_do_not_hide_an_output_that_sticks(run: Any, press: Callable[[], None]) -> None:
    class Stuck(Output):
        def switch(self, on: bool) -> None:
            if on:
                super().switch(on)

    def prepare(bench: Bench) -> None:
        pressing_at_each(bench, press)
        bench.at(1.5, lambda: bench.become(1, Stuck))
        bench.at(2.0, press)

    result, _ = run(prepare)
    assert exit_code(result) == 6, result.record.says
    assert result.record.outputs_off is False
    assert result.off.states["USB"] == "on"


def test_presses_do_not_hide_a_supply_that_no_longer_answers(run: Any, press: Callable[[], None]) -> None:
    def prepare(bench: Bench) -> None:
        psu = bench.bench.guard.guard.feeds["USB"].psu

        def silent(*_arguments: Any) -> Any:
            press()
            raise LinkTimeout("no reply in time", instrument="supply")

        def cut() -> None:
            for name in ("off", "measure", "is_on"):
                setattr(psu, name, silent)
            press()

        bench.at(2.0, cut)

    result, _ = run(prepare)
    assert exit_code(result) == 6, result.record.says
    assert result.off.states["USB"] == "unknown"


def test_one_more_press_cuts_the_discharge_short(run: Any, press: Callable[[], None]) -> None:
    """The rail would be measured for a minute; the run has its end all the same."""

    def prepare(bench: Bench) -> None:
        volts, pressed = bench.bench.meter.dc_volts, []

        def measured(*arguments: Any, **options: Any) -> Any:
            if not bench.outputs[0].on and bench.stage.now > 2.0:
                pressed.append(1)
                press()
            return volts(*arguments, **options)

        bench.bench.meter.dc_volts = measured
        bench.at(2.0, press)

    result, _ = run(prepare)
    assert exit_code(result) == 4
    assert result.record.steps[-1].kind == "discharge"
    assert "was not measured" in result.record.steps[-1].says


def test_a_press_while_a_good_run_is_switched_off_changes_nothing(run: Any, press: Callable[[], None]) -> None:
    def prepare(bench: Bench) -> None:
        look_again = bench.bench.guard.guard.look_again

        def looking() -> Any:
            press()
            return look_again()

        bench.bench.guard.guard.look_again = looking

    result, _ = run(prepare)
    assert exit_code(result) == 0
    assert result.off.confirmed
    assert "when the steps were over" in result.record.says, "or the person believes that it was heard"


class Finaliser:
    """Python goes on after what is raised in here."""

    def __init__(self, press: Callable[[], None]) -> None:
        self.press = press

    def __del__(self) -> None:
        self.press()


@pytest.mark.parametrize("way", ["a finaliser", "somebody's except"])
def test_a_press_that_gets_lost_ends_the_run_all_the_same(
    run: Any, press: Callable[[], None], monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    """Twenty of them within a second, as one who is frightened does; before, the run passed, with exit code 0."""
    ignored: list[Any] = []
    monkeypatch.setattr(sys, "unraisablehook", lambda what: ignored.append(what.exc_type))

    def lose() -> None:
        if way == "a finaliser":
            Finaliser(press)
        else:
            with contextlib.suppress(KeyboardInterrupt):
                press()
        for _ in range(19):
            press()

    result, bench = run(lambda bench: bench.at(2.0, lose))
    assert exit_code(result) == 4, result.record.says
    assert result.record.says.startswith("stopped by the operator")
    assert bench.on == [False] * len(bench.on)
    assert ignored == ([KeyboardInterrupt] if way == "a finaliser" else [])


def test_a_press_that_gets_lost_in_the_last_step_ends_the_run(run: Any, press: Callable[[], None]) -> None:
    def prepare(bench: Bench) -> None:
        take_trace = bench.bench.guard.guard.take_trace

        def losing() -> Any:
            if not bench.outputs[0].on and bench.stage.now > 2.0:
                with contextlib.suppress(KeyboardInterrupt):
                    press()
            return take_trace()

        bench.bench.guard.guard.take_trace = losing

    result, _ = run(prepare)
    assert exit_code(result) == 4, result.record.says


def test_a_press_in_the_last_discharge_of_a_good_run_stops_it(run: Any, press: Callable[[], None]) -> None:
    """It was told as the unit's: exit code 1."""

    def prepare(bench: Bench) -> None:
        volts = bench.bench.meter.dc_volts

        def measured(*arguments: Any, **options: Any) -> Any:
            if not bench.outputs[0].on and bench.stage.now > 2.0:
                press()
            return volts(*arguments, **options)

        bench.bench.meter.dc_volts = measured

    result, _ = run(prepare, POWER_ON + WAIT)
    assert exit_code(result) == 4, result.record.says
    assert "stopped by the operator" in result.record.says
    assert "(broken off by Ctrl-C or a signal)" in result.record.steps[-1].says


def test_a_press_that_got_lost_does_not_make_the_next_ones_useless(
    press: Callable[[], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(presses, "ONE_PRESS", 0.0)
    with presses.guarded():
        for _ in range(2):
            with pytest.raises(KeyboardInterrupt):
                press()
        presses.hold()
        press()
        assert presses.pressed()
        presses.rearm()
        assert not presses.pressed()
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_in_the_background_of_a_shell_a_press_counts_too(press: Callable[[], None]) -> None:
    """POSIX, XCU 2.11: a shell without job control starts `command &` with SIGINT ignored. A run there that nothing
    stopped passed, with exit code 0, however often one pressed."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        with presses.guarded(), pytest.raises(KeyboardInterrupt):
            press()
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)


def test_a_hangup_after_nohup_stays_ignored() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with presses.guarded("SIGHUP"):
            assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


# --- the order of things --------------------------------------------------------------------------------------------
class Recorder:
    """Keeps in which state the output was when each thing was told."""

    def __init__(self) -> None:
        self.told: list[tuple[str, bool]] = []
        self.output: Any = None

    def note(self, what: str) -> None:
        self.told.append((what, self.output.on))

    def begin(self, _start: Any) -> str:
        return "a run"

    def commit(self, _step: Any) -> None:
        self.note("commit")

    def end(self, outcome: str, **_what: Any) -> None:
        self.note(f"end: {outcome}")

    def says(self, text: str) -> None:
        self.note(f"says: {text}")

    def step_begins(self, *_what: Any) -> None: ...
    def step_ends(self, _step: Any) -> None: ...
    def reading(self, _reading: Any) -> None: ...
    def pulse(self, *_what: Any) -> None: ...


def recorded(toy: Any, steps: str, prepare: Callable[[Bench], Any]) -> tuple[Result, Recorder]:
    sequence, recorder = load_sequence(toy.steps(steps)), Recorder()
    with presses.guarded(), open_virtual(sequence.board, unit="T-1") as opened:
        opened.self_check = False
        recorder.output = opened.virtual.psus[0].supply.outputs[0]
        runner = Runner(sequence, opened, run_start(sequence, opened, "T-1"), recorder=recorder, observer=recorder)
        prepare(Bench(opened))
        result = runner.run()
        recorder.output.__class__ = Output
    return result, recorder


def test_when_a_step_breaks_the_power_goes_off_before_it_is_told(toy: Any) -> None:
    def break_meter(bench: Bench) -> None:
        def silent(*_arguments: Any, **_options: Any) -> Any:
            assert bench.outputs[0].on
            raise LinkTimeout("no reply in time", instrument="meter")

        bench.at(0.5, lambda: setattr(bench.bench.meter, "dc_volts", silent))

    steps = POWER_ON + WAIT + '[[step]]\ndo = "rails"\n' + POWER_OFF
    result, recorder = recorded(toy, steps, break_meter)
    assert exit_code(result) == 3
    told = [what for what, _ in recorder.told]
    place = next(n for n, what in enumerate(told) if "no reply in time" in what)
    assert recorder.told[place - 1][1], "on until the step broke"
    assert not any(on for _, on in recorder.told[place:])
    assert [step.outcome for step in result.record.steps] == ["pass", "pass", "error", "error"]


def test_nothing_is_energised_while_an_output_is_not_seen_to_be_off(toy: Any) -> None:
    class Stuck(Output):
        def switch(self, on: bool) -> None:
            if on:
                super().switch(on)

    def prepare(bench: Bench) -> None:
        bench.outputs[1].set_volts(1.0)
        bench.outputs[1].switch(True)
        bench.become(2, Stuck)

    result, recorder = recorded(toy, POWER_ON + WAIT + POWER_OFF, prepare)
    assert exit_code(result) == 6
    assert result.record.steps == ()
    assert "nothing was energised" in result.record.says
    assert result.off.states["AUX"] == "on"
    assert not any(on for _, on in recorder.told)


def test_the_end_of_a_run_is_kept_with_the_power_off(toy: Any) -> None:
    result, recorder = recorded(toy, POWER_ON + WAIT, lambda _bench: None)
    assert recorder.told[-1] == ("end: pass", False)
    assert exit_code(result) == 0
    assert result.record.energised_s == pytest.approx(3.2, abs=0.4)


def test_on_a_link_that_is_out_of_step_the_command_goes_first(toy: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Making the link sure again takes time, and may fail; what brings no reply may well carry a command."""
    from wakeboard.harness.describe.load import load_board

    with open_virtual(load_board(toy.board), unit="T-1") as bench:
        guard, output = bench.guard.guard, bench.virtual.psus[0].supply.outputs[0]
        psu = guard.feeds["USB"].psu
        psu.set("1", 1.0, 0.1)
        psu.on("1")
        assert output.on
        psu.link.dirty = True
        with monkeypatch.context() as patch:

            def refuses() -> None:
                raise LinkTimeout("no reply in time", instrument="supply")

            patch.setattr(psu.link, "reopen", refuses)
            with pytest.raises(LinkTimeout):
                psu.off("1")
        assert not output.on
