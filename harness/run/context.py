"""What a step works with: the board, the bench, the state of both, and where its readings go.

A step's `run(context, model)` reaches points, takes measurements and records readings through this, and never talks to
an instrument itself. Every call that may take time beats the guard's heart first, and raises Tripped when the guard has
cut the power: a step needs no care of its own for that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from wakeboard.harness.run import topology
from wakeboard.harness.run.decide import OPEN, Limits, decide
from wakeboard.harness.run.errors import NoAnswer, Refused, SkipPoint, TakeAgain
from wakeboard.harness.run.hand import presses
from wakeboard.instruments.errors import BenchError
from wakeboard.instruments.quantity import show
from wakeboard.results.records import Reading
from wakeboard.results.told import Notes, Told

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board, Line
    from wakeboard.harness.describe.board.levels import Thresholds
    from wakeboard.harness.run.bench.bench import OpenBench
    from wakeboard.harness.run.guard.core import Envelope
    from wakeboard.harness.run.guard.owner import Ramp, Setting
    from wakeboard.harness.run.ports import Observer
    from wakeboard.harness.run.predict import CircuitLimits
    from wakeboard.instruments.ports import Measurement
    from wakeboard.instruments.quantity import Interval

LEASE = 3.0  # s: how long the runner may be silent before the guard cuts, where a step does not ask for more
SLICE_LEASE = 6.0  # s: for a piece of a computation; each piece asks anew
COMPUTE_LEASE = 20.0  # s: for a piece of an explanation while the board has power; each piece asks anew
READ_LEASE = 15.0  # s: for a waveform, which has 10 s
KEEP_LEASE = 15.0  # s: for a commit to a disk that is busy
SLOW_LEASE = 12.0  # s: for readings that an instrument takes long over (AC, frequency, range changes)
FIRST_WAIT, GROWTH, LAST_WAIT = 0.02, 1.5, 2.0  # s between readings while something settles
LOOK_AGAIN = 0.2  # s between two looks at a net that may creep
STEADY_VOLTS = 0.002  # moved by less, or by less than its u: arrived (half a second of time constant hides 4 mV)
PATIENCE = 3.0  # s that an odd net is given to arrive
NO_CONTACT_VOLTS = 0.1  # V: what reads less may be a lead in the air (steady.NEAR_ZERO)


class Context:
    """State and services of a run. `begin` is called by the runner before each step."""

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
        """folder: where the sequence's file stands."""
        self.unit = unit
        self.folder = folder
        self.board = board
        self.bench = bench
        self.guard = bench.guard
        self.predictor = predictor
        self.observer = observer
        self._asker = asker
        self.begun = bench.clock.now()
        self.supplies: dict[str, tuple[float, float]] = {}  # on: name -> (volts, limit)
        self.last_volts: dict[str, float] = {}  # what each supply was set to last
        self.off_unknown = ""  # what is not known to be off although it should be
        self.lying: dict[str, str] = {}  # supplies that say off and are seen to be on -> how it is known
        self.doubtful: dict[str, str] = {}  # supplies of which nobody can tell whether they are off -> why
        self.pins: dict[str, str] = {}
        self.checked: set[str] = set()
        self.alive = True  # False once the power was cut or the bench failed: nothing more is asked of the board
        self.begin(stops=False)

    def begin(self, stops: bool) -> None:
        """A fresh step."""
        self.readings: list[Reading] = []
        self.remarks: list[str] = []
        self.notes = Notes()
        self._told: list[Told] = []
        self.outcome = ""  # set by a step that knows better than its readings
        self.stops = stops

    # --- time -------------------------------------------------------------------------------------------------------
    @property
    def now(self) -> float:
        """Seconds since the run began, on the bench's clock."""
        return self.bench.clock.now() - self.begun

    def pulse(self, lease: float = LEASE) -> None:
        """The runner lives and means to go on within `lease` seconds. Raises Tripped."""
        presses.look()
        self.guard.beat(lease)
        if self.observer is not None:
            self.observer.pulse(self.guard.latest(), {name: limit for name, (_, limit) in self.supplies.items()})

    def sleep(self, seconds: float) -> None:
        """Let time pass under the guard's eyes."""
        self.guard.sleep(seconds)
        self.pulse()

    def until(self, take: Callable[[], Measurement], good: Callable[[Any], bool], within: float) -> Measurement:
        """Readings at growing intervals until one is good or the time is over; the last one."""
        ends = self.now + within
        wait = FIRST_WAIT
        seen = take()
        while not good(seen) and self.now < ends:
            self.sleep(min(wait, max(ends - self.now, FIRST_WAIT)))
            wait = min(wait * GROWTH, LAST_WAIT)
            seen = take()
        return seen

    def drained(self, good: Callable[[Any], bool], within: float) -> Measurement:
        """The volts of the point once they are low enough, helped by the bench's bleed resistor where it has one; the
        last reading is taken without it. What charged the point through a pull may charge it again once the resistor
        is off: it is put across until that is over, too."""
        seen = self.meter_volts()
        bleed = self.bench.bleed_ohms
        if bleed is None or good(seen):
            return self.until(self.meter_volts, good, within) if bleed is None else seen
        ends = self.now + within
        while not good(seen) and self.now < ends:
            with self.loaded(bleed):
                self.until(self.meter_volts, good, ends - self.now)
                self.sleep(LAST_WAIT)
            seen = self.until(self.meter_volts, good, LAST_WAIT)
        return seen

    # --- what is on -------------------------------------------------------------------------------------------------
    def need_on(self, kind: str) -> None:
        if not self.supplies:
            raise Refused(f"{kind}: no supply is on")

    def need_off(self, kind: str) -> None:
        if self.supplies:
            raise Refused(f"{kind}: {', '.join(self.supplies)} is on; it is measured without power only")

    def power_says(self) -> str:
        """What has power, for a person whose hands are about to touch."""
        if self.lying or self.off_unknown:
            which = "; ".join(self.lying) or self.off_unknown
            return f"NOT CONFIRMED OFF: {which}. Touch nothing; pull the supply's leads"
        live = [f"{name} on, {show(v, 'V')}, limit {show(a, 'A')}" for name, (v, a) in self.supplies.items()]
        return f"LIVE: {'; '.join(live)}" if live else "All outputs off"

    def clear_hands(self, supply: str, volts: float, limit: float, purpose: str = "") -> None:
        """Before an output goes on: nobody touches the board. Raises OperatorStop, Refused."""
        self.pulse()
        self.bench.leads.move_to(supply, self.supplies, self.bench.move_leads)
        self.bench.clear_hands(supply, volts, limit, purpose)
        if self.bench.probing.by_hand:
            self.bench.probing.release()  # the probes are off the board now

    def energise(self, supply: str, setting: Setting, envelope: Envelope, ramp: Ramp | None) -> None:
        """On, and up the ramp, once hands are clear. Raises Tripped, OperatorStop, Refused."""
        self.bench.leads.must_be_shown(supply)
        self.clear_hands(supply, setting.volts, setting.limit)
        self.pulse()
        self.supplies[supply] = (setting.volts, setting.limit)
        self.last_volts[supply] = setting.volts
        self.notes.protection = self.guard.energise(supply, setting, envelope, ramp)
        while self.guard.climbing(supply):
            self.sleep(ramp.seconds if ramp else FIRST_WAIT)

    def switch_off(self, names: Sequence[str]) -> None:
        """Off and confirmed; the processor's pins are released with the last supply. Raises OutputsOn."""
        for name in names:
            report = self.guard.off(name)
            if not report.confirmed:
                raise BenchError(report.says(), instrument=self.guard.instrument(name))
            self.supplies.pop(name, None)
        if not self.supplies:
            self.pins.clear()

    def note_checked(self, net: str) -> None:
        """The check for a short of every supply on this net has passed."""
        self.checked.update(name for name, supply in self.board.supplies.items() if supply.net == net)

    def set_pin(self, pin: str, level: str) -> None:
        if level == "off":
            self.pins.pop(pin, None)
        else:
            self.pins[pin] = level

    def state(self, load_ohms: float | None = None) -> str:
        """The canonical text of the bench state."""
        return _state_key(tuple(self.supplies.items()), tuple(self.pins.items()), load_ohms)

    # --- the board's names ------------------------------------------------------------------------------------------
    def net(self, name: str) -> str:
        return self.board.net_of(name)

    def nets(self, of: Iterable[str]) -> list[str]:
        return topology.nets(self.board, of)

    def lines(self, of: Iterable[str]) -> list[Line]:
        return topology.lines(self.board, of)

    @property
    def power_nets(self) -> list[str]:
        """The nets of all supplies and rails that a probe reaches."""
        return [net for net in topology.power_nets(self.board) if self.reaches(net)]

    @property
    def board_farads(self) -> float:
        return topology.total_farads(self.board)

    def is_up(self, rail: str) -> bool:
        """Whether a rail (or supply) should be up in this state."""
        return topology.is_up(self.board, rail, self.supplies, self.pins)

    def should_be_off(self, of: Iterable[str]) -> tuple[dict[str, str], dict[str, str]]:
        """(supplies, rails) -> nets that should be off and can be reached."""
        supplies, rails = topology.should_be_off(self.board, of, self.supplies, self.pins)
        return (
            {name: net for name, net in supplies.items() if self.reaches(net)},
            {name: net for name, net in rails.items() if self.reaches(net)},
        )

    def line_is_powered(self, line: Line) -> bool:
        return topology.line_is_powered(self.board, line, self.supplies, self.pins)

    def thresholds(self, line: Line) -> Thresholds:
        return self.predictor.thresholds(line)

    def swing(self, line: Line) -> float:
        """Volts between the thresholds."""
        found = self.thresholds(line)
        return found.high_min - found.low_max

    def level_says(self, line: Line, volts: float) -> str:
        level = self.thresholds(line).level(volts)
        return "between the levels" if level == "undefined" else f"reads {level}"

    def rail_limits(self, rail: str, expect: Interval | None) -> Limits:
        """From the step, the board file, or the circuit's tolerances, in this order."""
        if expect is not None:
            return Limits(expect.low, expect.high, "step")
        on_board = self.board.rails[rail].limits if self.is_up(rail) else None
        if on_board is not None:
            return Limits(on_board.low, on_board.high, "board")
        return self.circuit_limits(self.board.rails[rail].net)

    def circuit_limits(self, net: str) -> Limits:
        from wakeboard.harness.describe.state import BenchState

        return self.predictor.volts(BenchState(self.supplies, self.pins), net, self.computing) or OPEN

    def computing(self) -> None:
        """A piece of a computation begins. Raises Tripped."""
        self.pulse(SLICE_LEASE)

    def foresee(self, supply: str, volts: float, limit: float) -> None:
        """Have the circuit's limits ready before a supply is switched on: the rails for which nobody gives limits."""
        from wakeboard.harness.describe.state import BenchState

        on = {**self.supplies, supply: (volts, limit)}
        nets = [rail.net for name, rail in self.board.rails.items()
                if rail.limits is None and topology.is_up(self.board, name, on, self.pins)]  # fmt: skip
        self.computing()  # the circuit is compiled first
        self.predictor.prepare(BenchState(on, self.pins), nets, self.computing)
        self.pulse()

    # --- measuring --------------------------------------------------------------------------------------------------
    def order(self, nets: Iterable[str]) -> list[str]:
        """The nets that can be reached, in an order that saves movement; the others are noted."""
        wanted = list(dict.fromkeys(nets))
        unreached = [net for net in wanted if not self.reaches(net)]
        if unreached:
            self.notes.not_reached = [*self.notes.not_reached, *unreached]
            self.say("no point reaches " + ", ".join(unreached))
        return self.bench.probing.order([net for net in wanted if net not in unreached])

    def points(self, nets: Iterable[str]) -> Iterator[str]:
        """Each net in turn with the meter on it; one that the operator skips is recorded as skipped and left out. One
        that the operator wants to take again comes again: what was read there counts no longer, and is kept aside."""
        order = self.order(nets)
        starts: list[int] = []  # where the readings of each net begin
        while len(starts) < len(order):
            net = order[len(starts)]
            begins = len(self.readings)
            try:
                self._reach(net)
            except SkipPoint:
                self._keep(Reading(net, "dc volts", None, "V", outcome="skipped", state=self.state(), time=self.now,
                                   says="skipped by the operator"))  # fmt: skip
            except TakeAgain:
                self._take_back(order, starts)
                continue
            else:
                yield net
                while not self._held(begins):
                    self._forget(net, begins, "the probe had left it")
                    yield net
                self._ring(begins)
            starts.append(begins)
            if len(starts) == len(order) and self.bench.probing.regrets():
                self._take_back(order, starts)

    def _take_back(self, order: Sequence[str], starts: list[int]) -> None:
        """The last net of `starts` is to be taken again."""
        if not starts:
            self.say("there is no point to take again: what came before belongs to another step")
            return
        begins, net = starts.pop(), order[len(starts)]
        self._forget(net, begins)
        self.bench.probing.release()

    def _forget(self, net: str, begins: int, why: str = "") -> None:
        """What was read at a point counts no longer, and is kept aside."""
        gone, self.readings[begins:] = self.readings[begins:], []
        self.checked -= {name for name, supply in self.board.supplies.items() if supply.net == net}
        kept = [{"of": each.of, "quantity": each.quantity, "value": each.value, "unit": each.unit} for each in gone]
        self.notes.taken_again = [*self.notes.taken_again, *kept]
        self.say(f"{net} was taken again" + (f": {why}" if why else ""))

    def _held(self, begins: int) -> bool:
        """Whether the probe was on the point while it was read: a lead in the air reads about zero, too. (An ohms
        reading beyond its range was proven when it was taken, and any other is contact itself.)"""
        low = any(
            each.unit == "V" and each.value is not None and abs(each.value) < NO_CONTACT_VOLTS
            for each in self.readings[begins:]
        )
        return not low or self.bench.probing.held()

    def _ring(self, begins: int) -> None:
        """The bell, and what was read first."""
        if begins < len(self.readings):
            first = self.readings[begins]
            value = first.says or "over range" if first.value is None else show(first.value, first.unit)
            self.bench.probing.took(value)

    def held_volts(self, read: Callable[[], float], least: float) -> float:
        """V of the point, read again where they are below `least` and the probe had left it; then the bell."""
        volts = read()
        while abs(volts) <= least and not self.bench.probing.held():
            volts = read()
        self.bench.probing.took(show(volts, "V"))
        return volts

    def reaches(self, net: str) -> bool:
        return self.bench.probing.reaches(net)

    def reach(self, net: str) -> None:
        """The meter on a net. Where a step asks for one point only there is none before it to take again."""
        while True:
            try:
                self._reach(net)
                return
            except TakeAgain:
                continue

    def _reach(self, net: str) -> None:
        self.pulse()
        self.bench.probing.reach(net)

    def reverse(self, on: bool) -> bool:
        """The meter's leads the other way round; False where the bench cannot, or the operator will not."""
        self.pulse()
        try:
            return self.bench.probing.reverse(on)
        except SkipPoint:
            return False

    @contextmanager
    def loaded(self, ohms: float) -> Iterator[float | None]:
        """A known resistor across the point while the block runs; gives its ohms in parallel with the meter's."""
        try:
            put = self.bench.probing.load(ohms)
        except SkipPoint:
            put = None
        try:
            yield None if put is None else 1.0 / (1.0 / put + 1.0 / self.bench.input_ohms)
        finally:
            if put is not None:
                self.bench.probing.load(None)

    def high_impedance(self, high: bool) -> bool:
        return self.bench.set_input(high)

    def meter_volts(self) -> Measurement:
        self.pulse()
        return self.bench.volts()

    def volts_for(self, limits: Limits) -> Measurement:
        """The volts of the point, for these limits: at once where they pass. What is odd, or is held against nothing,
        is read until it stands still: a rail that is fed through a pull takes a second to follow a load."""
        seen = self.meter_volts()
        return seen if limits != OPEN and decide(seen.value, seen.u, limits) == "pass" else self.arrived(seen)

    def arrived(
        self, last: Measurement, within: float = PATIENCE, enough: Callable[[Any, Any], bool] = lambda last, now: False
    ) -> Measurement:
        """A reading that no longer creeps after `last`, or one with which it is `enough`; within s, the last one."""
        ends = self.now + within
        while self.now < ends:
            self.sleep(LOOK_AGAIN)
            now = self.meter_volts()
            if abs(now.value - last.value) <= max(STEADY_VOLTS, now.u) or enough(last, now):
                return now
            last = now
        return last

    def meter_ac(self) -> Measurement:
        self.pulse(SLOW_LEASE)
        return self.bench.ac_volts()

    def meter_frequency(self) -> Measurement:
        self.pulse(SLOW_LEASE)
        return self.bench.frequency()

    def meter_ohms(self, scale: float) -> Measurement:
        """An open circuit counts only where it is read twice with contact proven between: a hand that lifts must not
        turn a short into one."""
        seen = self._ohms(scale)
        while seen.overload and self.bench.probing.by_hand:
            held = self.bench.probing.held()
            again = self._ohms(scale)
            if held and again.overload:
                return again
            seen = again
        return seen

    def _ohms(self, scale: float) -> Measurement:
        self.pulse(SLOW_LEASE)
        return self.bench.ohms(scale)

    def console(self, link: str | None = None) -> Any:
        return self.bench.console(link or (self.board.target.link if self.board.target else "console"))

    def ask(self, question: str, *, text: bool = False) -> str:
        """The operator's answer. Raises NoAnswer where nobody may be asked."""
        if self._asker is None:
            raise NoAnswer(question)
        return self._asker(question, text)

    # --- recording --------------------------------------------------------------------------------------------------
    def record(
        self,
        of: str,
        quantity: str,
        seen: Measurement,
        limits: Limits,
        *,
        outcome: str | None = None,
        says: str = "",
        instrument: str = "",
        load: bool = True,
        load_ohms: float | None = None,
    ) -> Reading:
        """A measurement as a reading. load: whether the meter loads the net, so that its ohms belong to the state."""
        if outcome is None:
            outcome = decide(seen.value, seen.u, limits)
        if load and load_ohms is None and quantity in ("dc volts", "ac volts"):
            load_ohms = self.bench.input_ohms
        return self._keep(
            Reading(
                of=of,
                quantity=quantity,
                value=None if seen.overload else seen.value,
                unit=seen.unit,
                u=None if seen.overload else seen.u,
                low=limits.low,
                high=limits.high,
                outcome=outcome,
                state=self.state(load_ohms),
                instrument=instrument or self.bench.meter_name,
                range=seen.range,
                time=self.now,
                limits_from=limits.origin,
                says=says,
            )
        )

    def record_number(
        self, of: str, quantity: str, value: float, unit: str, limits: Limits, outcome: str, *, u: float = 0.0,
        says: str = "",
    ) -> Reading:  # fmt: skip
        """A number that came another way than through the meter."""
        return self._keep(
            Reading(of, quantity, value, unit, u, limits.low, limits.high, outcome, self.state(), "", None, self.now,
                    limits.origin, says)
        )  # fmt: skip

    def record_missing(self, of: str, quantity: str, unit: str, outcome: str, says: str) -> Reading:
        """A reading that has no number, and why."""
        return self._keep(
            Reading(of, quantity, None, unit, outcome=outcome, state=self.state(), time=self.now, says=says)
        )

    def record_text(self, of: str, text: str, outcome: str, *, says: str = "") -> Reading:
        """A text reading: what the board said, what the operator answered."""
        told = text if not says else f"{text}: {says}" if text else says
        return self._keep(Reading(of, "text", None, "", outcome=outcome, state=self.state(), time=self.now, says=told))

    def _keep(self, reading: Reading) -> Reading:
        self.readings.append(reading)
        if self.observer is not None:
            self.observer.reading(reading)
        return reading

    def tell(self, told: Told) -> None:
        """What this kind of step keeps beside its readings."""
        self._told.append(told)

    @property
    def detail(self) -> dict[str, Any]:
        """All of it as it is kept."""
        return {name: value for each in (*self._told, self.notes) for name, value in each.as_detail().items()}

    def say(self, text: str) -> None:
        """A remark for the report."""
        if text:
            self.remarks.append(text)
            if self.observer is not None:
                self.observer.says(text)


@lru_cache(maxsize=1024)
def _state_key(supplies: tuple[tuple[str, tuple[float, float]], ...], pins: Any, load_ohms: float | None) -> str:
    """The text of a state, written once: hundreds of readings, and all runs of a rehearsal, are taken in the same."""
    from wakeboard.harness.describe.state import BenchState

    return BenchState(dict(supplies), dict(pins), load_ohms).key
