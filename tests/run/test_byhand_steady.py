"""Both hands on the probes: a person who moves the virtual leads, and a run that takes each reading by itself.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import os
import re
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tests.processes import LATE, start
from wakeboard.harness.cli.virtual import bench_toml
from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.explain.explaining import _by_key
from wakeboard.harness.run.bench.opening import open_virtual
from wakeboard.harness.run.bench.probing import HandProbing
from wakeboard.harness.run.bench.virtual import virtual_bench
from wakeboard.harness.run.errors import OperatorStop, SkipPoint
from wakeboard.harness.run.guard.local import LocalGuard
from wakeboard.harness.run.guard.owner import Guard
from wakeboard.harness.run.hand.byhand import SteadyHands
from wakeboard.harness.run.hand.clearance import asked_each_time
from wakeboard.harness.run.hand.leads import Leads, MovedLeads
from wakeboard.harness.run.hand.operator import Operator
from wakeboard.harness.run.live import PlainObserver
from wakeboard.harness.run.runner import Result, Runner
from wakeboard.harness.run.session import exit_code, run_start
from wakeboard.instruments.virtual.wire.server import running
from wakeboard.results.ledger.text import tell_run
from wakeboard.results.report.run_view import _stopped, verdict

ZERO = "as an open lead reads too"
FAILS = "fails: was the probe on it?"
LIFT, PUT = 0.4, 1.1  # s after a prompt that the person takes the probe off, and puts it on the next point


class Person:
    """Reads the prompts, moves the virtual leads on the bench's own clock, and presses Enter where asked."""

    lifts_for_power = True

    def __init__(self, bench: Any, moves: bool = True, keys: dict[str, str] | None = None) -> None:
        self.bench = bench
        self.moves = moves
        self.keys = {
            ZERO: "\r",
            FAILS: "\r",
            **(keys or {}),
        }  # what stands on the screen -> the key that the person presses
        self.screen = ""
        self.pressed: list[str] = []
        self.waiting: list[str] = []
        self.looks = 0

    def write(self, text: str) -> None:
        self.screen += text
        for seen, key in self.keys.items():
            if seen in text:
                self.waiting.append(key)
        stage, probe = self.bench.virtual.stage, self.bench.virtual.probe
        found = re.search(r"net (\S+)   red lead", text)
        if found and self.moves:
            net = found[1]
            stage.at(stage.now + LIFT, lambda: probe.connect(probe.idle, probe.ground))
            stage.at(stage.now + PUT, lambda: probe.connect(net, probe.ground))
        elif "Take the probes off the board" in text and self.lifts_for_power:
            stage.at(stage.now + LIFT, lambda: probe.connect(probe.idle, probe.ground))
        elif "Reverse the leads" in text and "taken" not in text and self.moves:
            pair = (probe.low, probe.high)
            stage.at(stage.now + LIFT, lambda: probe.connect(probe.idle, probe.ground))
            stage.at(stage.now + PUT, lambda: probe.connect(*pair))

    def key(self, _seconds: float) -> str | None:
        self.looks += 1
        assert self.looks < 2000, f"nobody is served; the screen ends with {self.screen[-400:]!r}"
        if not self.waiting:
            return None
        self.pressed.append(self.waiting.pop(0))
        return self.pressed[-1]


def _holds(bench: Any, sequence: Any, hand: Any) -> SteadyHands:
    """The bench's probe is in a person's hand: what is asked is on the hand's screen, and its keys answer."""
    operator = Operator(write=hand.write, read_key=hand.key)
    hands = SteadyHands(operator)
    hands.attach(bench)
    bench.probing.release()
    bench.probing = HandProbing(sequence.board, operator.tell, None, hands)
    return hands


def hands_on(toy: Any, steps: str, **person: Any) -> tuple[Result, Person, SteadyHands]:
    sequence = load_sequence(toy.steps(steps))
    with open_virtual(sequence.board, unit="T-1", transients=False) as bench:
        hand = Person(bench, **person)
        hands = _holds(bench, sequence, hand)
        operator = hands.operator
        runner = Runner(sequence, bench, run_start(sequence, bench, "T-1"))
        operator.beat = runner.context.time.pulse
        result = runner.run()
        assert bench.virtual.outputs_on == []
    return result, hand, hands


POWERED = (
    '[[step]]\ndo = "power on"\nsupply = "USB"\nlimit = "100 mA"\nwhy = "a test"\n[[step]]\ndo = "rails"\n'
    '[[step]]\ndo = "power off"\n'
)


def test_levels_are_taken_without_a_key(toy: Any) -> None:
    result, person, hands = hands_on(toy, POWERED)
    rails = next(step for step in result.record.steps if step.kind == "rails")
    assert {reading.of: reading.outcome for reading in rails.readings} == {"VIN": "pass", "+3V3": "pass"}, result.error
    assert hands.taken[:2] == ["steady", "steady"]
    assert person.screen.count("\a") >= 4, "a bell for each prompt, and one when it is taken"
    assert "█" in person.screen or "#" in person.screen
    assert re.search(r"taken: 3\.[23]\d+ V at TP3", person.screen)
    assert result.outcome == "pass", result.error


class Tips:
    """A meter whose tips touch each other: 0 V, whatever its input."""

    can_be_high = True
    input_ohms = 1e10

    def __init__(self) -> None:
        self.clock = SimpleNamespace(now=lambda: self.time, sleep=self.pass_on)
        self.time = 0.0

    def pass_on(self, seconds: float) -> None:
        self.time += max(seconds, 0.05)

    def volts_or_overload(self) -> Any:
        return SimpleNamespace(overload=False, value=0.0)

    def set_input(self, high: bool) -> None:
        self.input_ohms = 1e10 if high else 1e7


def test_tips_that_still_touch_after_their_check_are_not_taken_for_the_first_point() -> None:
    looks = iter(range(200))
    hands = SteadyHands(Operator(write=lambda _text: None, read_key=lambda _s: "q" if next(looks) > 100 else None))
    hands.attach(Tips())
    hands.fastest = 0.3  # V/s: an open lead of this meter was seen to move
    hands.zero_seen()
    with pytest.raises(OperatorStop):
        hands.place("Probe TP1", "net VUSB   red lead")
    assert hands.taken == []


def test_zero_volts_is_proven_by_the_input_once_an_open_lead_was_seen_to_move(toy: Any) -> None:
    """Unpowered, both polarities of two nets: the person's way through the air teaches how an open lead behaves."""
    text = '[[step]]\ndo = "resistance"\nof = "every supply"\n'
    result, person, hands = hands_on(toy, text)
    assert result.outcome == "pass", [(step.name, step.says) for step in result.record.steps]
    assert hands.trusted
    assert hands.taken.count("key") <= 1
    assert hands.taken.count("steady") >= 3
    assert [reading.quantity for reading in result.record.steps[0].readings].count("ohms reversed") == 2
    assert all(key == "\r" for key in person.pressed)


def test_a_lead_that_hangs_in_the_air_is_never_taken(toy: Any) -> None:
    """Nobody moves the probe; the person gives up when the screen says that there is no contact."""
    result, person, hands = hands_on(toy, POWERED, moves=False, keys={"no contact": "q"})
    assert hands.taken == []
    assert isinstance(result.error, OperatorStop)
    assert exit_code(result) == 4
    assert "no contact" in person.screen


def test_a_probe_that_stays_on_the_last_point_is_not_taken_for_the_next(toy: Any) -> None:
    with open_virtual(load_sequence(toy.sequence).board, unit="T-1", transients=False) as bench:
        person = Person(bench, moves=False, keys={"not moved yet": "s"})
        operator = Operator(write=person.write, read_key=person.key)
        hands = SteadyHands(operator)
        hands.attach(bench)
        bench.virtual.simulation.change({"bench_USB.volts": 5.0, "bench_USB.limit": 0.1, "bench_USB.on": True})
        bench.virtual.stage.version += 1
        bench.virtual.probe.connect("VUSB", "GND")
        hands._fresh = False
        with pytest.raises(SkipPoint):
            hands.place("Probe TP2", "left edge, second pad")
    assert hands.taken == []


def test_what_an_ohms_test_left_on_the_last_point_is_not_taken_for_the_next_nor_for_reversed_leads() -> None:
    """Nobody touches anything: the charge drifts back to zero and on to another level, through 10 MΩ and without."""
    looks = iter(range(400))
    hands = SteadyHands(Operator(write=lambda _text: None, read_key=lambda _s: "q" if next(looks) > 300 else None))
    tips = Tips()
    tips.volts_or_overload = lambda: SimpleNamespace(  # type: ignore[method-assign]
        overload=False, value=-0.25 + 0.05 * min(tips.time, 12.0)
    )
    hands.attach(tips)
    hands.fastest, hands._fresh = 0.3, False
    for title in ("Probe TP2", "Reverse the leads at TP2"):
        with pytest.raises(OperatorStop):
            hands.place(title, "left edge, second pad")
        looks = iter(range(400))
    assert hands.taken == []


def test_after_a_net_that_reads_as_an_open_lead_the_next_point_takes_a_key() -> None:
    """From there no lift can be seen: what looks like one is the net itself."""
    tips = Tips()
    floats = [True]
    tips.volts_or_overload = lambda: SimpleNamespace(  # type: ignore[method-assign]
        overload=False, value=(0.1 * (tips.time % 1.0) if tips.input_ohms > 1e9 else 0.0) if floats[0] else 3.3
    )
    screen: list[str] = []

    def key(_seconds: float) -> str | None:
        assert len(screen) < 2000
        tips.looks = getattr(tips, "looks", 0) + 1  # type: ignore[attr-defined]
        if "no contact" in screen[-1]:
            return "\r"
        floats[0] = floats[0] and tips.looks < 60  # type: ignore[attr-defined]
        return "s" if "reads as an open lead" in screen[-1] else None

    hands = SteadyHands(Operator(write=screen.append, read_key=key))
    hands.attach(tips)
    hands.fastest = 0.1
    hands.place("Probe TP1", "left edge, first pad")
    assert hands.taken == ["key"]
    floats[0] = False
    with pytest.raises(SkipPoint):
        hands.place("Probe TP2", "left edge, second pad")
    assert hands.taken == ["key"]


def test_reversed_leads_are_told_and_never_turned_into_a_positive_reading(toy: Any) -> None:
    """The person holds the probes the wrong way round on a powered rail: nothing is taken, the screen says why."""

    class Clumsy(Person):
        def write(self, text: str) -> None:
            super().write(text)
            found = re.search(r"net (\S+)   red lead", text)
            if found:
                stage, probe, net = self.bench.virtual.stage, self.bench.virtual.probe, found[1]
                stage.at(stage.now + PUT + 0.01, lambda: probe.connect(probe.ground, net))

    sequence = load_sequence(toy.steps(POWERED))
    with open_virtual(sequence.board, unit="T-1", transients=False) as bench:
        person = Clumsy(bench, keys={"NEGATIVE": "s"})
        _holds(bench, sequence, person)
        result = Runner(sequence, bench, run_start(sequence, bench, "T-1")).run()
    rails = next(step for step in result.record.steps if step.kind == "rails")
    assert {reading.outcome for reading in rails.readings} == {"skipped"}
    assert "are the leads reversed?" in person.screen


def test_again_skip_and_stop_are_one_key_each(toy: Any) -> None:
    result, person, _ = hands_on(toy, POWERED, keys={"Probe TP2": "r", "Probe TP3": "s"})
    rails = next(step for step in result.record.steps if step.kind == "rails")
    assert {reading.of: reading.outcome for reading in rails.readings} == {"VIN": "pass", "+3V3": "skipped"}
    assert "r" in person.pressed
    stopped, _, _ = hands_on(toy, POWERED, keys={"Probe TP3": "q"})
    assert isinstance(stopped.error, OperatorStop)


class Doubtful(Person):
    """Presses each key once."""

    def write(self, text: str) -> None:
        super().write(text)
        self.keys = {seen: key for seen, key in self.keys.items() if seen not in text or key == "\r"}


def taking(toy: Any, keys: dict[str, str], compares: bool = False) -> tuple[Result, Person]:
    sequence = load_sequence(toy.steps(POWERED))
    with open_virtual(sequence.board, unit="T-1", transients=False) as bench:
        hand = Doubtful(bench, keys=keys)
        operator = _holds(bench, sequence, hand).operator
        bench.self_check = compares
        runner = Runner(sequence, bench, run_start(sequence, bench, "T-1"))
        operator.beat = runner.context.time.pulse
        return runner.run(), hand


def test_a_point_that_was_taken_is_taken_again_by_one_key(toy: Any) -> None:
    """At the prompt for TP3: b. TP2 is asked for again; what was read there first counts no longer and is kept."""
    result, person = taking(toy, {"Probe TP3": "b"})
    rails = next(step for step in result.record.steps if step.kind == "rails")
    assert [reading.of for reading in rails.readings] == ["VIN", "+3V3"]
    assert [each["of"] for each in rails.detail["taken_again"]] == ["VIN"]
    assert "VIN was taken again" in rails.says
    rails_prompts = re.findall(r"Probe (TP[23])", person.screen.partition("Probe TP2")[2])
    assert rails_prompts[:3] == ["TP3", "TP2", "TP3"]
    assert result.outcome == "pass", result.error


def test_the_last_point_of_a_step_can_be_taken_again_for_a_moment(toy: Any) -> None:
    result, _ = taking(toy, {"at TP3": "b"})
    rails = next(step for step in result.record.steps if step.kind == "rails")
    assert [reading.of for reading in rails.readings] == ["VIN", "+3V3"]
    assert [each["of"] for each in rails.detail["taken_again"]] == ["+3V3"]


def test_there_is_nothing_before_the_first_point_of_a_step(toy: Any) -> None:
    result, _ = taking(toy, {"Probe TP2": "b"})
    rails = next(step for step in result.record.steps if step.kind == "rails")
    assert [reading.of for reading in rails.readings] == ["VIN", "+3V3"]
    assert "no point to take again" in rails.says
    assert "taken_again" not in rails.detail


def test_a_step_that_asks_for_one_point_has_none_before_it(toy: Any) -> None:
    """The comparison of supply and meter before the ramp asks for the supply's net by itself: b there asks again."""
    result, person = taking(toy, {"Probe TP1": "b"}, compares=True)
    assert result.outcome == "pass", result.error
    first = person.screen.partition("taken")[0]
    assert first.count("Probe TP1") == 2
    power = next(step for step in result.record.steps if step.kind == "power on")
    assert power.detail["bench_check"]["net"] == "VUSB"


def test_without_a_meter_it_is_a_key_as_before(toy: Any) -> None:
    said: list[str] = []
    keys = iter("\r")
    hands = SteadyHands(Operator(write=said.append, read_key=lambda _s: next(keys)))
    hands.place("Probe TP1", "left edge")
    assert "Probe TP1" in said[0]


# --- over the wire, on a terminal -------------------------------------------------------------------------------------
class Terminal:
    """`wakeboard …` on a pseudo-terminal of 80 columns."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        import fcntl
        import pty
        import struct
        import termios

        root = str(Path(__file__).parents[2])
        environment = {**os.environ, "PYTHONPATH": root, "WAKEBOARD_LOCKS": str(folder / "locks"), "TERM": "xterm",
                       "NO_COLOR": "1", "COLUMNS": "80"}  # fmt: skip
        self.pid, self.descriptor = pty.fork()
        if self.pid == 0:
            os.chdir(folder)
            os.execve(sys.executable, [sys.executable, "-m", "wakeboard", *arguments], environment)
        fcntl.ioctl(self.descriptor, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.screen = ""
        self.code: int | None = None

    def read(self, seconds: float = 0.1) -> str:
        ready, _, _ = select.select([self.descriptor], [], [], seconds)
        if not ready:
            return ""
        try:
            text = os.read(self.descriptor, 65536).decode("utf-8", "replace")
        except OSError:
            return ""
        self.screen += text
        return text

    def until(self, seen: Callable[[str], Any], late: float = 60.0) -> Any:
        ends = time.monotonic() + late
        while time.monotonic() < ends:
            found = seen(self.screen)
            if found:
                return found
            if not self.read() and self.ended():
                break
        raise AssertionError(f"never seen; the screen says:\n{self.screen}")

    def press(self, key: str) -> None:
        os.write(self.descriptor, key.encode())

    def ended(self) -> bool:
        if self.code is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self.code = os.waitstatus_to_exitcode(status)
        return self.code is not None

    def close(self) -> None:
        if not self.ended():
            os.kill(self.pid, signal.SIGKILL)
            os.waitpid(self.pid, 0)
        os.close(self.descriptor)


@pytest.fixture
def by_hand(toy: Any, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Path, Callable[[str], None]]]:
    """A bench file without the scanner, which is the test's hand: it closes the channel of a net on the real socket."""
    monkeypatch.setenv("WAKEBOARD_LOCKS", str(toy.folder / "locks"))
    from wakeboard.harness.describe.load import load_board

    board = load_board(toy.board)
    bench = virtual_bench(board, unit="T-1", transients=False)
    with running(bench) as addresses:
        document = bench.bench_description(addresses.instruments)
        scanner = document["instruments"].pop("scanner")
        routes = {board.net_of(point): channel for point, channel in document["probing"]["routes"].items()}
        routes["the other tip"] = document["probing"]["short"]
        document["probing"] = {"by": "hand"}
        (toy.folder / "hand.toml").write_text(bench_toml("Toy", "T-1", document))
        host, port = scanner["address"].split("::")[1:3]

        def hand(net: str) -> None:
            line = f"ROUT:CLOS:EXCL (@{routes[net]})" if net else f"ROUT:OPEN (@101:105,{routes['the other tip']})"
            with socket.create_connection((host, int(port)), timeout=10) as link:
                link.sendall(f"{line};*OPC?\n".encode())
                link.recv(100)

        yield toy.folder, hand


@pytest.fixture
def served_bench(toy: Any, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """The toy board's virtual bench on sockets, its bench file written; it counts how often an output went on."""
    monkeypatch.setenv("WAKEBOARD_LOCKS", str(toy.folder / "locks"))
    from wakeboard.harness.describe.load import load_board

    bench = virtual_bench(load_board(toy.board), unit="T-1", transients=False)
    change, bench.energised = bench.simulation.change, 0

    def counted(values: dict[str, Any], *more: Any, **options: Any) -> Any:
        bench.energised += any(key.endswith(".on") and key.startswith("bench_") and on for key, on in values.items())
        return change(values, *more, **options)

    bench.simulation.change = counted
    with running(bench) as addresses:
        document = bench.bench_description(addresses.instruments)
        (toy.folder / "bench.toml").write_text(bench_toml("Toy", "T-1", document))
        yield bench


def confirm(terminal: Terminal, hand: Callable[[str], None]) -> None:
    """Enter, then the probes together and Enter again. Some time after each question: what is pressed before it is
    looked at is thrown away. Once, since a second one would take the first reading."""
    terminal.until(lambda screen: "and the unit on the bench?" in screen)
    ends = time.monotonic() + 1.0
    while time.monotonic() < ends:
        terminal.read()
    terminal.press("\r")
    terminal.until(lambda screen: "Hold the two probe tips together" in screen)
    hand("the other tip")
    ends = time.monotonic() + 60.0
    while "Enter: power on" not in terminal.screen:  # a key that came before it was looked for is thrown away
        assert time.monotonic() < ends, terminal.screen[-2000:]
        pressed = time.monotonic()
        terminal.press("\r")
        while time.monotonic() < pressed + 3.0 and "Enter: power on" not in terminal.screen:
            terminal.read()


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals of POSIX systems")
def test_a_person_at_a_terminal_probes_a_powered_board(toy: Any, by_hand: tuple[Path, Callable[[str], None]]) -> None:
    folder, hand = by_hand
    toy.steps(POWERED, "powered.toml")
    terminal = Terminal(folder, "run", "powered.toml", "--unit", "T-1", "--bench", "hand.toml")
    try:
        confirm(terminal, hand)
        probed, asked, cleared = 0, 0, 0
        ends = time.monotonic() + 110
        while not terminal.ended():
            assert time.monotonic() < ends, terminal.screen[-3000:]
            terminal.read()
            prompts = re.findall(r"Probe (\S+)\s[^\a]*?net (\S+)   red lead", terminal.screen)
            if len(prompts) > probed:
                probed += 1
                hand("")
                time.sleep(1.5)  # as a hand takes; the run must see the lead in the air
                hand(prompts[probed - 1][1])
            if terminal.screen.count("Enter: power on") > cleared:
                cleared += 1
                hand("")
                reads = time.monotonic() + 0.8  # as a person does: what comes at once was meant for the question before
                while time.monotonic() < reads:
                    terminal.read()
                terminal.press("\r")
            if terminal.screen.count(ZERO) + terminal.screen.count("Enter: yes") > asked:
                asked += 1
                terminal.press("\r")
        while terminal.read():
            pass
        assert terminal.code == 0, terminal.screen
        assert re.search(r"taken: 3\.[23]\d+ V at TP3", terminal.screen)
        assert "PASS" in terminal.screen
        assert cleared == 2, "before the low voltages of the comparison, and before the full one"
        assert "All outputs off" in terminal.screen.partition("Enter: power on")[0]
        assert "LIVE: USB on, 5 V, limit 100 mA" in terminal.screen
    finally:
        terminal.close()


# --- a hand that lifts, power that is told, an output that waits for a key -------------------------------------------
class Hasty(Person):
    """Lifts the probe as soon as the screen says "hold still", so often; then as a person should."""

    def __init__(self, bench: Any, lifts: int = 1, **more: Any) -> None:
        super().__init__(bench, **more)
        self.lifts = lifts

    def write(self, text: str) -> None:
        super().write(text)
        if "hold still" in text and self.lifts:
            self.lifts -= 1
            stage, probe = self.bench.virtual.stage, self.bench.virtual.probe
            stage.at(stage.now + 0.02, lambda: probe.connect(probe.idle, probe.ground))


SHORT_CHECK = (
    '[[step]]\ndo = "resistance"\nof = ["USB"]\nexpect = "> 100 Ω"\n'
    '[[step]]\ndo = "power on"\nsupply = "USB"\nlimit = "100 mA"\n'
)


def powered(
    toy: Any, kind: Any, steps: str, plants: tuple[str, ...] = (), compares: bool = False, **person: Any
) -> tuple[Result, Any, list]:
    """A run by hand; what was switched on, as the bench's gate saw it. hand.waited: s that the last gate took."""
    on: list[str] = []
    sequence = load_sequence(toy.steps(steps))
    with open_virtual(sequence.board, unit="T-1", plants=plants, transients=False) as bench:
        hand = kind(bench, **person)
        hands = _holds(bench, sequence, hand)
        operator = hands.operator
        operator.hands = hands
        bench.self_check = compares
        ask = asked_each_time(operator)

        def clear(supply: str, volts: float, limit: float, purpose: str) -> str:
            hand.waited = -bench.clock.now()
            remark = ask(supply, volts, limit, purpose)
            hand.waited += bench.clock.now()
            on.append(supply)
            return remark

        bench.clear_hands = clear
        runner = Runner(sequence, bench, run_start(sequence, bench, "T-1"))
        operator.beat = runner.context.time.pulse
        operator.power = runner.context.power.says
        return runner.run(), hand, on


@pytest.mark.parametrize("lifts", [1, 2, 4])
def test_a_short_whose_probe_is_lifted_at_once_is_a_short_all_the_same(toy: Any, lifts: int) -> None:
    """0.5 Ω at the input; the hand leaves 20 ms after contact. It must not read as an open circuit, nor be powered."""
    result, hand, on = powered(toy, Hasty, SHORT_CHECK, ("VUSB+GND:bridge=0.5",), lifts=lifts)
    check = result.record.steps[0]
    assert check.outcome == "fail", [(r.quantity, r.value, r.outcome, r.says) for r in check.readings]
    assert on == []
    assert "Contact was lost" in hand.screen


def test_a_healthy_input_is_taken_once_the_hand_holds_still(toy: Any) -> None:
    result, hand, on = powered(toy, Hasty, SHORT_CHECK, keys={"Enter: power on": "\r"})
    assert result.outcome == "pass", [(step.name, step.says, step.outcome) for step in result.record.steps]
    assert on == ["USB"]
    bell = hand.screen.rindex("\a", 0, hand.screen.index("taken: "))
    assert "hold still" in hand.screen[:bell], "the bell comes after the measurement"
    first = re.search(r"taken: ([^\n]*) at TP1", hand.screen)
    assert first
    assert first[1].endswith("Ω"), "the value in its own quantity"


def test_nothing_goes_on_without_the_key(toy: Any) -> None:
    result, hand, on = powered(toy, Person, SHORT_CHECK, keys={"Enter: power on": "q"})
    assert isinstance(result.error, OperatorStop)
    assert on == []
    assert exit_code(result) == 4
    assert "Next: USB on, 5 V, limit 100 mA" in hand.screen
    assert "Take the probes off the board, hands clear" in hand.screen


# --- the lead is seen in the air before an output goes on ------------------------------------------------------------
class Forgetful(Person):
    """Presses the key for power with the probe still on the last point; then does what `keys` say."""

    lifts_for_power = False

    def write(self, text: str) -> None:
        super().write(text)
        stage, probe = self.bench.virtual.stage, self.bench.virtual.probe
        if "Take the probes off the board" in text:
            self.on = list(self.bench.virtual.outputs_on)
        if "lift it" in text and "q: stop" in text and "k: it stays there" not in self.keys:
            assert self.bench.virtual.outputs_on == self.on, "nothing goes on before it was lifted"
            self.waiting.clear()
            stage.at(stage.now + LIFT, lambda: probe.connect(probe.idle, probe.ground))
            stage.at(stage.now + 1.0, lambda: self.waiting.append("\r"))


def test_power_waits_for_a_lead_that_was_forgotten_on_the_board(toy: Any) -> None:
    result, hand, on = powered(toy, Forgetful, SHORT_CHECK, keys={"Enter: power on": "\r"})
    assert result.outcome == "pass", [(step.name, step.says, step.outcome) for step in result.record.steps]
    assert on == ["USB"]
    assert hand.screen.count("The lead still is on TP1: lift it") == 1
    assert re.search(r"It reads \S+ V and does not move as a lead in the air does\.", hand.screen)
    told = hand.screen.partition("still is on TP1")[2]
    assert "Not switched on yet: USB, 5 V, limit 100 mA." in " ".join(told.split())


def test_power_waits_at_each_later_output_too(toy: Any) -> None:
    """On the supply's own net after the comparison at low voltages, and on a rail that a supply feeds already."""
    result, hand, on = powered(toy, Forgetful, SHORT_CHECK, compares=True, keys={"Enter: power on": "\r"})
    assert result.outcome == "pass", result.error
    assert on == ["USB", "USB"]
    assert hand.screen.count("The lead still is on TP1: lift it") == 2
    both = POWERED.replace('do = "power off"', 'do = "power on"\nsupply = "AUX"\nlimit = "100 mA"\nwhy = "a test"')
    result, hand, on = powered(toy, Forgetful, both, keys={"Enter: power on": "\r"})
    assert on == ["USB", "AUX"], (result.error, hand.screen[-1500:], [s.says for s in result.record.steps])
    assert re.search(r"The lead still is on TP3: lift it\s+It reads 3\.\d+ V\.", hand.screen)


def test_a_lead_that_may_stay_takes_a_key_of_its_own_and_is_recorded(toy: Any) -> None:
    keys = {"Enter: power on": "\r", "k: it stays there": "k"}
    result, hand, on = powered(toy, Forgetful, SHORT_CHECK, keys=keys)
    assert result.outcome == "pass"
    assert on == ["USB"]
    assert hand.pressed[-1] == "k"
    assert "the meter's lead stayed on TP1 when power went on, as the operator said" in result.record.steps[1].says
    result, hand, on = powered(toy, Forgetful, SHORT_CHECK, keys={"Enter: power on": "\r", "k: it stays there": "q"})
    assert (on, exit_code(result)) == ([], 4)


def test_the_key_for_a_lead_that_stays_means_nothing_before_it_is_offered(toy: Any) -> None:
    result, _, on = powered(toy, Person, SHORT_CHECK, keys={"Enter: power on": "k", "lead is in the air": "q"})
    assert (on, exit_code(result)) == ([], 4)


def test_a_lead_in_the_air_costs_a_second_at_most(toy: Any) -> None:
    _, hand, on = powered(toy, Person, SHORT_CHECK, keys={"lead is in the air": "\r"})
    assert on == ["USB"]
    before = LIFT + 1.0  # until it is lifted, and seen in the air a first time: then the person presses Enter
    assert hand.waited <= before + 1.0
    assert "lift it" not in hand.screen.partition("Enter: power on")[2].partition("the lead is in the air")[2]


def test_a_net_that_reads_as_an_open_lead_takes_the_person_s_word() -> None:
    """The last point was taken by Enter while it moved as a lead does: no look tells whether it was left."""
    tips, screen = Tips(), []
    tips.volts_or_overload = lambda: SimpleNamespace(  # type: ignore[method-assign]
        overload=False, value=0.3 * (tips.time % 2.0) if tips.input_ohms > 1e9 else 0.0
    )

    def key(_seconds: float) -> str | None:
        assert len(screen) < 500
        if "Is the lead off TP4?" in "".join(screen):
            return "k"
        return "\r" if "Enter: power on" in screen[-1] else None

    operator = Operator(write=screen.append, read_key=key)
    operator.hands = hands = SteadyHands(operator)
    hands.attach(tips)
    hands.blind, hands.at = True, "TP4"
    remark = asked_each_time(operator)("USB", 5.0, 0.1, "")
    assert "off TP4" in remark
    assert "the operator said" in remark


@pytest.mark.parametrize("ohms", [1e7, 1e10])
def test_a_meter_that_cannot_see_an_open_lead_says_so_and_is_no_hindrance(ohms: float) -> None:
    tips, screen = Tips(), []
    tips.can_be_high, tips.input_ohms = False, ohms  # type: ignore[misc]
    keys = iter("\r" * 20)
    operator = Operator(write=screen.append, read_key=lambda _s: next(keys) if len(screen) > 1 else None)
    operator.hands = hands = SteadyHands(operator)
    hands.attach(tips)
    assert asked_each_time(operator)("USB", 5.0, 0.1, "") == ""
    assert "cannot see whether the lead is in the air" in "".join(screen)


def test_a_point_before_is_offered_where_there_is_one_and_reversed_leads_read_negative_as_asked() -> None:
    screen: list[str] = []
    tips = Tips()
    tips.volts_or_overload = lambda: SimpleNamespace(overload=False, value=-0.3)  # type: ignore[method-assign]
    hands = SteadyHands(Operator(write=screen.append, read_key=lambda _s: "\r" if "negative" in screen[-1] else None))
    hands.attach(tips)
    hands.place("Reverse the leads at TP1", "black lead on the point, red on ground")
    assert "negative, with the leads reversed as asked" in "".join(screen)
    assert "NEGATIVE: are the leads reversed" not in "".join(screen)
    assert "last point again" not in "".join(screen)
    hands.operator = Operator(write=screen.append, read_key=lambda _s: "s")
    with pytest.raises(SkipPoint):
        hands.place("Probe TP2", "net X")
    assert "last point again" in "".join(screen)


def test_a_discharge_that_nobody_measured_is_no_pass_and_a_stop_is_no_failure_of_the_bench(toy: Any) -> None:
    result, _, _ = powered(toy, Person, POWERED, keys={"Enter: power on": "\r", "net +3V3   red lead": "q"})
    assert isinstance(result.error, OperatorStop)
    last = result.record.steps[-1]
    assert (last.number, last.kind, last.outcome) == (4, "discharge", "skipped"), "the sequence has three steps"
    assert "not measured: capacitors may be charged" in last.says
    assert re.search(r"USB's own output reads \d\.\d\d V", last.says)
    assert "not measured: capacitors may be charged" in result.record.says
    assert result.record.word == "stopped"
    told = tell_run(result.record)
    assert "stopped by the operator" in told
    assert "bench error" not in told
    assert verdict(result.record).startswith("The operator stopped the run.")
    assert exit_code(result) == 4


def test_what_a_person_skips_is_not_called_discharged(toy: Any) -> None:
    class Tired(Person):
        def write(self, text: str) -> None:
            super().write(text)
            if "All outputs off" in text and "Probe" in text and "Enter: power on" in self.screen:
                self.waiting.append("s")

    result, _, _ = powered(toy, Tired, POWERED, keys={"Enter: power on": "\r"})
    off = result.record.steps[-1]
    assert off.kind == "power off"
    assert "skipped" in [each.outcome for each in off.readings]
    assert "every rail discharged" not in off.says
    assert "not measured: capacitors may be charged" in off.says


def test_every_prompt_says_what_has_power(toy: Any) -> None:
    _, hand, _ = powered(toy, Person, POWERED, keys={"Enter: power on": "\r"})
    prompts = [each for each in hand.screen.split("\a\n")[1:] if "q: stop" in each]
    assert len(prompts) > 4
    for each in prompts:
        assert each.startswith(("  All outputs off\n", "  LIVE: USB on, ")), each
    rails = [each for each in prompts if "Probe TP3" in each]
    assert any(each.startswith("  LIVE") for each in rails)
    assert any(each.startswith("  All outputs off") for each in rails), "the discharge"


def test_a_probe_that_left_a_rail_that_should_be_at_zero_is_asked_for_again(toy: Any) -> None:
    """0 V is what a lead in the air reads: no rail is called off by it."""
    text = POWERED.replace('do = "rails"', 'do = "volts"\nof = ["VAUX"]\nexpect = "< 0.3 V"')
    result, hand, _ = powered(toy, Hasty, text, lifts=1, keys={"Enter: power on": "\r"})
    assert result.outcome == "pass", [(step.name, step.says) for step in result.record.steps]
    assert "Contact was lost" in hand.screen


# --- over the wire: nobody is there ----------------------------------------------------------------------------------
def wakeboard(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    process = start(*arguments, folder=folder)
    out, err = process.communicate(timeout=LATE)
    return subprocess.CompletedProcess(arguments, process.returncode, out.decode(), err.decode())


def test_a_real_bench_is_not_energised_where_nobody_is_there(toy: Any, served_bench: Any) -> None:
    """--no-input alone used to switch the power on without a word."""
    toy.steps(POWERED, "powered.toml")
    run = wakeboard(toy.folder, "run", "powered.toml", "--unit", "T-1", "--bench", "bench.toml", "--no-input")
    assert run.returncode == 2, run.stderr
    assert "--energise" in run.stderr
    assert served_bench.outputs_on == []
    assert served_bench.energised == 0


def test_the_option_stands_for_the_key(toy: Any, served_bench: Any) -> None:
    toy.steps(POWERED, "powered.toml")
    run = wakeboard(toy.folder, "run", "powered.toml", "--unit", "T-1", "--bench", "bench.toml", "--energise")
    assert run.returncode == 0, run.stderr
    assert "PASS" in run.stdout


def test_a_bench_that_feeds_fewer_supplies_than_the_board_has(toy: Any, served_bench: Any) -> None:
    """One supply is what most people own: AUX is never switched on by this sequence."""
    text = (toy.folder / "bench.toml").read_text()
    one = re.sub(r"feeds = \{[^}]*\}", 'feeds = { 1 = "USB" }', text)
    assert one != text
    (toy.folder / "one.toml").write_text(one)
    toy.steps(POWERED, "powered.toml")
    run = wakeboard(toy.folder, "run", "powered.toml", "--unit", "T-1", "--bench", "one.toml", "--energise")
    assert run.returncode == 0, run.stderr
    toy.steps(POWERED.replace('"USB"', '"AUX"'), "other.toml")
    other = wakeboard(toy.folder, "run", "other.toml", "--unit", "T-1", "--bench", "one.toml", "--energise")
    assert other.returncode == 3
    assert "no channel of the bench feeds AUX" in other.stderr


# --- one output for two supplies --------------------------------------------------------------------------------------
def wired_to(bench: Any, supply: str) -> None:
    """The leads of the virtual supply's first output on a supply's net, those of the others on nothing."""
    first, *others = [output for psu in bench.virtual.psus for output in psu.supply.outputs]
    for each in others:
        each.part = each.net = None
    first.part, first.net = f"bench_{supply}", {"USB": "VUSB", "AUX": "VAUX"}[supply]


BOTH = (
    '[[step]]\ndo = "power on"\nsupply = "USB"\nlimit = "100 mA"\nwhy = "a test"\n[[step]]\ndo = "power off"\n'
    '[[step]]\ndo = "power on"\nsupply = "AUX"\nlimit = "100 mA"\nwhy = "a test"\n'
)


def by_turns(toy: Any, steps: str, moves: bool = True) -> tuple[Result, Person]:
    sequence = load_sequence(toy.steps(steps))
    with open_virtual(sequence.board, unit="T-1", transients=False) as bench:

        class Mover(Person):
            def write(self, text: str) -> None:
                super().write(text)
                found = re.search(r"Move the supply's leads to (\S+)", text)
                if found and moves:
                    wired_to(bench, found[1])

        keys = {"Enter: power on": "\r", "Enter: they are on it": "\r"}
        hand = Mover(bench, keys=keys)
        hands = _holds(bench, sequence, hand)
        operator = hands.operator
        operator.hands = hands
        bench.self_check = True
        bench.clear_hands = asked_each_time(operator)
        one = {"USB": bench.guard.guard.feeds["USB"]}
        bench.guard = LocalGuard(Guard(one, bench.clock, bench.traffic), bench.clock)
        bench.leads = Leads({"AUX": "USB"})
        bench.guard = MovedLeads(bench.guard, bench.leads)
        bench.move_leads = lambda supply: operator.move_leads(supply, "right edge")
        runner = Runner(sequence, bench, run_start(sequence, bench, "T-1"))
        operator.beat = runner.context.time.pulse
        operator.power = runner.context.power.says
        result = runner.run()
        assert bench.virtual.outputs_on == []
        return result, hand


def test_one_output_feeds_one_supply_and_then_the_other(toy: Any) -> None:
    result, hand = by_turns(toy, BOTH)
    assert result.outcome == "pass", [(step.name, step.says, step.outcome) for step in result.record.steps]
    assert re.findall(r"leads to (\S+)\n", hand.screen) == ["USB", "AUX"]
    assert "LIVE: AUX on, 5 V, limit 100 mA" in hand.screen or "Next: AUX on, 5 V" in hand.screen


def test_leads_that_were_not_moved_are_seen_before_the_full_voltage(toy: Any) -> None:
    """The person presses Enter and moves nothing: the low voltages show it, AUX is never said to be fed."""
    result, _ = by_turns(toy, BOTH, moves=False)
    assert exit_code(result) == 3
    assert "AUX" in str(result.error)
    assert result.record.steps[-1].outcome == "error" or result.record.steps[-2].outcome == "error"


def test_leads_are_not_moved_while_anything_is_on(toy: Any) -> None:
    result, _ = by_turns(toy, BOTH.replace('[[step]]\ndo = "power off"\n', ""))
    assert exit_code(result) == 2
    assert "power off USB first" in str(result.error)


def test_enter_that_was_meant_for_the_point_before_takes_nothing() -> None:
    """The point before was taken by itself a moment ago, and the lead is still on it."""
    tips, screen = Tips(), []
    tips.volts_or_overload = lambda: SimpleNamespace(overload=False, value=4.643)  # type: ignore[method-assign]

    def key(_seconds: float) -> str | None:
        assert tips.time < 10.0
        tips.time += 0.05
        return "\r" if tips.time < 1.5 else "s" if tips.time > 4.0 else None

    hands = SteadyHands(Operator(write=screen.append, read_key=key))
    hands.attach(tips)
    hands._fresh, hands.taken = False, ["steady"]
    with pytest.raises(SkipPoint):
        hands.place("Probe TP3", "net +3V3   red lead")
    assert hands.taken == ["steady"]
    assert "not moved yet" in "".join(screen)


def resting(hands: SteadyHands, title: str, presses: float, volts: float) -> None:
    """A lead that nobody moves; Enter once after so many seconds."""
    tips = hands.bench
    tips.time = 0.0
    tips.volts_or_overload = lambda: SimpleNamespace(overload=False, value=volts)
    pressed: list[str] = []

    def key(_seconds: float) -> str | None:
        assert tips.time < 20.0
        tips.time += 0.05
        if tips.time > presses and not pressed:
            pressed.append("\r")
            return "\r"
        return None

    hands.operator._read_key = key
    hands.place(title, "net X   red lead")


def on_tips() -> tuple[SteadyHands, list[str]]:
    screen: list[str] = []
    hands = SteadyHands(Operator(write=screen.append, read_key=lambda _s: None))
    hands.attach(Tips())
    return hands, screen


def test_a_point_that_enter_took_from_a_lead_that_did_not_move_says_so_for_good() -> None:
    hands, _ = on_tips()
    resting(hands, "Probe TP1", 0.0, 4.643)
    assert hands.doubt == "", "the first point of all: the lead was on nothing"
    resting(hands, "Probe TP3", 3.0, 4.643)
    assert hands.doubt == "taken by Enter: the lead was not seen to move from TP1"
    resting(hands, "Probe TP3", 3.0, 4.643)
    assert hands.doubt, "once more at the same point clears nothing"


def test_the_first_point_after_the_tips_were_together_has_not_been_moved_to_either() -> None:
    hands, screen = on_tips()
    hands.zero_seen()
    assert "the leads read zero" in "".join(screen)
    resting(hands, "Probe J1_5", 4.0, 0.0)
    assert "not moved yet" in "".join(screen)
    assert hands.doubt == "taken by Enter: the lead was not seen to move from the other tip"
    assert "moving" not in "".join(screen), "a probe at rest is not said to move"


class Stays(Person):
    """Says by Enter that the probe is on TP3, and leaves it on TP2."""

    def write(self, text: str) -> None:
        moves, self.moves = self.moves, self.moves and "Probe TP3" not in text
        super().write(text)
        self.moves = moves


def test_a_reading_forced_by_enter_is_marked_in_record_report_history_and_explanation(toy: Any) -> None:
    sequence = load_sequence(toy.steps(POWERED))
    with open_virtual(sequence.board, unit="T-1", transients=False) as bench:
        hand = Stays(bench, keys={"not moved yet": "\r"})
        operator = _holds(bench, sequence, hand).operator
        told: list[str] = []
        runner = Runner(sequence, bench, run_start(sequence, bench, "T-1"), observer=PlainObserver(told.append))
        operator.beat = runner.context.time.pulse
        result = runner.run()
    rails = next(step for step in result.record.steps if step.kind == "rails")
    forced = rails.readings[1]
    mark = "TP3 taken by Enter: the lead was not seen to move from TP2, and it reads as VIN did"
    assert (forced.of, forced.outcome, forced.says) == ("+3V3", "fail", mark)
    assert mark in rails.says
    assert mark in "\n".join(told)
    assert mark in tell_run(result.record)
    assert mark in "\n".join(_stopped(result.record))
    assert any(mark in note for note in _by_key(result.record))
    assert not rails.readings[0].says


def test_nets_that_read_alike_both_ways_are_named_once_since_nobody_sees_whether_leads_were_turned(toy: Any) -> None:
    text = '[[step]]\ndo = "resistance"\nof = "every supply"\n'
    result, _, _ = hands_on(toy, text)
    step = result.record.steps[0]
    assert step.outcome == "pass"
    assert step.detail["alike"]
    assert step.says.count("read alike both ways: were the leads reversed?") == 1


class OnAnotherPoint(Person):
    """Touches +3V3 where VUSB is asked for with power on, so many times; then the right one."""

    wrong = 1

    def write(self, text: str) -> None:
        if re.search(r"LIVE.*\n(  Probe TP1|  Once more)", text) and self.wrong:
            self.wrong -= 1
            text = text.replace("net VUSB", "net +3V3")
        super().write(text)


@pytest.mark.parametrize(("wrong", "outcome"), [(1, "pass"), (2, "pass"), (3, "error")])
def test_a_probe_on_another_point_is_asked_for_again_at_the_low_voltage_only(
    toy: Any, wrong: int, outcome: str
) -> None:
    class Hand(OnAnotherPoint):
        pass

    Hand.wrong = wrong
    result, hand, _ = powered(toy, Hand, POWERED, keys={"Enter: power on": "\r"}, compares=True)
    assert result.outcome == outcome, str(result.error)
    assert "Next: USB on, 400 mV then 800 mV, limit 100 mA" in hand.screen
    assert re.search(
        r"where USB gives (39\d|40\d)(\.\d)? mV: is the red lead on this point", " ".join(hand.screen.split())
    )
    if outcome == "error":
        assert "3 tries: the probe is on another point, or its lead is off" in str(result.error)
        assert "LIVE: USB on, 800 mV" not in hand.screen


def test_a_failing_last_point_waits_for_a_key_and_can_be_taken_again(toy: Any) -> None:
    """The 3.3 V rail fails: no moment passes by itself; b takes it again, Enter then goes on."""
    limits = POWERED.replace('do = "rails"', 'do = "volts"\nof = "TP3"\nexpect = "< 1 V"')
    keys = {FAILS: "b"}

    class Hand(Person):
        def write(self, text: str) -> None:
            super().write(text)
            if FAILS in text:
                self.keys[FAILS] = "\r"

    sequence = load_sequence(toy.steps(limits))
    with open_virtual(sequence.board, unit="T-1", transients=False) as bench:
        hand = Hand(bench, keys=keys)
        operator = _holds(bench, sequence, hand).operator
        runner = Runner(sequence, bench, run_start(sequence, bench, "T-1"))
        operator.beat = runner.context.time.pulse
        result = runner.run()
    step = next(step for step in result.record.steps if step.kind == "volts")
    assert [each["of"] for each in step.detail["taken_again"]] == ["+3V3"]
    assert hand.screen.count("TP3 fails: was the probe on it?") == 2


def test_the_point_before_is_offered_only_where_the_step_has_one_and_the_discharge_says_what_it_is(toy: Any) -> None:
    _, person, _ = hands_on(toy, POWERED)
    first, second = (person.screen.partition(f"Probe {point}")[2].split("\a")[0] for point in ("TP2", "TP3"))
    assert "last point again" not in first
    assert "last point again" in second
    discharge = person.screen.rpartition("Probe TP1")[2]
    assert "last point again" not in discharge.split("\a")[0]
    assert "Discharge: is it down?" in discharge.split("\a")[0]


def test_a_skipped_point_is_skipped_in_the_quantity_of_its_step(toy: Any) -> None:
    text = '[[step]]\ndo = "resistance"\nof = "every supply"\n' + POWERED.replace('why = "a test"\n', "")
    sequence = load_sequence(toy.steps(text))
    result, _, _ = hands_on(toy, text, keys={"Probe TP1": "s"})
    assert sequence.steps
    assert [(r.of, r.quantity, r.unit) for r in result.record.steps[0].readings if r.outcome == "skipped"] == [
        ("VUSB", "ohms", "Ω")
    ]
    assert "Run again, and probe VUSB when the resistance step asks for it" in str(result.error)
