"""The meter on the board's points: reached in turn, read until they stand still, read again where the probe left."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from wakeboard.harness.run.decide import OPEN, Limits, decide
from wakeboard.harness.run.errors import SkipPoint, TakeAgain
from wakeboard.harness.run.services.timing import LAST_WAIT, SLOW_LEASE
from wakeboard.instruments.quantity import show
from wakeboard.results.records import Reading

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.run.bench.bench import OpenBench
    from wakeboard.harness.run.services.log import StepLog
    from wakeboard.harness.run.services.power import Power
    from wakeboard.harness.run.services.timing import Timing
    from wakeboard.instruments.ports import Measurement

LOOK_AGAIN = 0.2  # s between two looks at a net that may creep
STEADY_VOLTS = 0.002  # moved by less, or by less than its u: arrived (half a second of time constant hides 4 mV)
PATIENCE = 3.0  # s that an odd net is given to arrive
RISING = 0.0005  # of an ohms reading: what rises by more is a capacitor that charges through the test current
RISES_TO = 3.0  # times what an even rise would reach: a capacitor may have less at its last volt than at its first
NO_CONTACT_VOLTS = 0.1  # V: what reads less may be a lead in the air (steady.NEAR_ZERO)


class Probes:
    """Every call that may take time beats the guard's heart first, and raises Tripped when it has cut the power."""

    def __init__(self, board: Board, bench: OpenBench, time: Timing, power: Power, log: StepLog) -> None:
        self._board = board
        self._bench = bench
        self._time = time
        self._power = power
        self._log = log

    def _order(self, nets: Iterable[str]) -> list[str]:
        """The nets that can be reached, in an order that saves movement; the others are noted."""
        wanted = list(dict.fromkeys(nets))
        unreached = [net for net in wanted if not self.reaches(net)]
        if unreached:
            self._log.notes.not_reached = [*self._log.notes.not_reached, *unreached]
            self._log.say("no point reaches " + ", ".join(unreached))
        return self._bench.probing.order([net for net in wanted if net not in unreached])

    def points(
        self, nets: Iterable[str], quantity: str = "dc volts", unit: str = "V", purpose: str = ""
    ) -> Iterator[str]:
        """Each net in turn with the meter on it; one that the operator skips is recorded as skipped and left out. One
        that the operator wants to take again comes again: what was read there counts no longer, and is kept aside.
        quantity, unit: of what is skipped; purpose: what the points are probed for, where that is not plain."""
        order = self._order(nets)
        starts: list[int] = []  # where the readings of each net begin
        while len(starts) < len(order):
            net = order[len(starts)]
            begins = len(self._log.readings)
            try:
                self._reach(net, goes_back=bool(starts), purpose=purpose)
            except SkipPoint:
                self._log.keep(Reading(net, quantity, None, unit, outcome="skipped", state=self._power.state(),
                                       time=self._time.now, says="skipped by the operator"))  # fmt: skip
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
            failed = any(each.outcome == "fail" for each in self._log.readings[begins:])
            if len(starts) == len(order) and self._bench.probing.regrets(failed):
                self._take_back(order, starts)

    def _take_back(self, order: Sequence[str], starts: list[int]) -> None:
        """The last net of `starts` is to be taken again."""
        if not starts:
            self._log.say("there is no point to take again: what came before belongs to another step")
            return
        begins, net = starts.pop(), order[len(starts)]
        self._forget(net, begins)
        self._bench.probing.release()

    def _forget(self, net: str, begins: int, why: str = "") -> None:
        """What was read at a point counts no longer, and is kept aside."""
        gone, self._log.readings[begins:] = self._log.readings[begins:], []
        self._log.forget_doubts(gone)
        self._power.checked -= {name for name, supply in self._board.supplies.items() if supply.net == net}
        kept = [{"of": each.of, "quantity": each.quantity, "value": each.value, "unit": each.unit} for each in gone]
        self._log.notes.taken_again = [*self._log.notes.taken_again, *kept]
        self._log.say(f"{net} was taken again" + (f": {why}" if why else ""))

    def _held(self, begins: int) -> bool:
        """Whether the probe was on the point while it was read: a lead in the air reads about zero, too. (An ohms
        reading beyond its range was proven when it was taken, and any other is contact itself.) A relay is asked
        whatever was read: with a resistor across the meter an open one does not even read as open."""
        if not self._bench.probing.by_hand:
            return self._bench.probing.held()
        low = any(
            each.unit == "V" and each.value is not None and abs(each.value) < NO_CONTACT_VOLTS
            for each in self._log.readings[begins:]
        )
        return not low or self._bench.probing.held()

    def _ring(self, begins: int) -> None:
        """The bell, and what was read first."""
        if begins < len(self._log.readings):
            first = self._log.readings[begins]
            value = first.says or "over range" if first.value is None else show(first.value, first.unit)
            self._bench.probing.took(value)

    def held_volts(self, read: Callable[[], float], least: float) -> float:
        """V of the point, read again where they are below `least` and the probe had left it; then the bell."""
        volts = read()
        while abs(volts) <= least and not self._bench.probing.held():
            volts = read()
        self._bench.probing.took(show(volts, "V"))
        return volts

    def reaches(self, net: str) -> bool:
        return self._bench.probing.reaches(net)

    def reach(self, net: str) -> None:
        """The meter on a net. Where a step asks for one point only there is none before it to take again."""
        while True:
            try:
                self._reach(net)
                return
            except TakeAgain:
                continue

    def _reach(self, net: str, goes_back: bool = False, purpose: str = "") -> None:
        self._time.pulse()
        self._log.reached.add(net)
        self._bench.probing.goes_back, self._bench.probing.purpose = goes_back, purpose
        self._bench.probing.reach(net)

    def reverse(self, on: bool) -> bool:
        """The meter's leads the other way round; False where the bench cannot, or the operator will not."""
        self._time.pulse()
        try:
            return self._bench.probing.reverse(on)
        except SkipPoint:
            return False

    @contextmanager
    def loaded(self, ohms: float) -> Iterator[float | None]:
        """A known resistor across the point while the block runs; gives its ohms in parallel with the meter's."""
        try:
            put = self._bench.probing.load(ohms)
        except SkipPoint:
            put = None
        try:
            yield None if put is None else 1.0 / (1.0 / put + 1.0 / self._bench.input_ohms)
        finally:
            if put is not None:
                self._bench.probing.load(None)

    def high_impedance(self, high: bool) -> bool:
        return self._bench.set_input(high)

    def volts(self) -> Measurement:
        self._time.pulse()
        return self._bench.volts()

    def drained(self, good: Callable[[Any], bool], within: float) -> Measurement:
        """The volts of the point once they are low enough, helped by the bench's bleed resistor where it has one; the
        last reading is taken without it. What charged the point through a pull may charge it again once the resistor
        is off: it is put across until that is over, too."""
        seen = self.volts()
        bleed = self._bench.bleed_ohms
        if bleed is None or good(seen):
            return self._time.until(self.volts, good, within) if bleed is None else seen
        ends = self._time.now + within
        while not good(seen) and self._time.now < ends:
            with self.loaded(bleed):
                self._time.until(self.volts, good, ends - self._time.now)
                self._time.sleep(LAST_WAIT)
            seen = self._time.until(self.volts, good, LAST_WAIT)
        return seen

    def volts_for(self, limits: Limits) -> Measurement:
        """The volts of the point, for these limits: at once where they pass. What is odd, or is held against nothing,
        is read until it stands still: a rail that is fed through a pull takes a second to follow a load."""
        seen = self.volts()
        return seen if limits != OPEN and decide(seen.value, seen.u, limits) == "pass" else self.arrived(seen)

    def arrived(
        self, last: Measurement, within: float = PATIENCE, enough: Callable[[Any, Any], bool] = lambda last, now: False
    ) -> Measurement:
        """A reading that no longer creeps after `last`, or one with which it is `enough`; within s, the last one."""
        if self._bench.at_once:
            self._time.sleep(LOOK_AGAIN)  # as long as it takes elsewhere: parts get warm meanwhile
            return last
        ends = self._time.now + within
        while self._time.now < ends:
            self._time.sleep(LOOK_AGAIN)
            now = self.volts()
            if abs(now.value - last.value) <= max(STEADY_VOLTS, now.u) or enough(last, now):
                return now
            last = now
        return last

    def ac(self) -> Measurement:
        self._time.pulse(SLOW_LEASE)
        return self._bench.ac_volts()

    def frequency(self) -> Measurement:
        self._time.pulse(SLOW_LEASE)
        return self._bench.frequency()

    def ohms(self, scale: float) -> Measurement:
        """An open circuit counts only where it is read twice with contact proven between: a hand that lifts must not
        turn a short into one."""
        seen = self._ohms(scale)
        while seen.overload and self._bench.probing.by_hand:
            held = self._bench.probing.held()
            again = self._risen(scale)
            if held and again.overload:
                return again
            seen = again
        return seen

    def _risen(self, scale: float) -> Measurement:
        """The ohms after contact was proven, which has let the net's capacitors go: they charge once more before an
        open circuit reads as one. An overload that what was read before does not lead to is a hand that lifted: then
        what was read before it."""
        began = self._time.now
        last = self._ohms(scale)
        while not last.overload:
            charged = self._time.now - began
            self._time.sleep(LOOK_AGAIN)
            now = self._ohms(scale)
            if now.overload:
                reached = last.value * (self._time.now - began) / max(charged, LOOK_AGAIN)
                return now if reached * RISES_TO >= scale else last
            if now.value <= last.value * (1 + RISING) + 2 * now.u:
                return now
            last = now
        return last

    def _ohms(self, scale: float) -> Measurement:
        self._time.pulse(SLOW_LEASE)
        return self._bench.ohms(scale)
