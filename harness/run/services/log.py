"""What a step leaves behind: its readings with their state and limits, remarks, and what its kind keeps beside them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

from wakeboard.harness.run.decide import COVERAGE, Limits, decide
from wakeboard.results.records import Reading
from wakeboard.results.told import Notes, Told

if TYPE_CHECKING:
    from wakeboard.harness.run.bench.bench import OpenBench
    from wakeboard.harness.run.ports import Observer
    from wakeboard.harness.run.services.timing import Timing
    from wakeboard.instruments.ports import Measurement


class StepLog:
    """Of one step at a time. outcome: set by a step that knows better than its readings; reached: the nets that the
    meter was on."""

    def __init__(
        self, bench: OpenBench, time: Timing, observer: Observer | None, state: Callable[[float | None], str]
    ) -> None:
        """state: the text of the bench state, with the ohms that load a net."""
        self._bench = bench
        self._time = time
        self._observer = observer
        self._state = state
        self._last: dict[str, Reading] = {}  # by quantity: what a lead that stayed would read again
        self.begin()

    def begin(self) -> None:
        """A fresh step."""
        self.readings: list[Reading] = []
        self.remarks: list[str] = []
        self.notes = Notes()
        self._told: list[Told] = []
        self.outcome = ""
        self.reached: set[str] = set()

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
            load_ohms = self._bench.input_ohms
        return self.keep(
            Reading(
                of=of,
                quantity=quantity,
                value=None if seen.overload else seen.value,
                unit=seen.unit,
                u=None if seen.overload else seen.u,
                low=limits.low,
                high=limits.high,
                outcome=outcome,
                state=self._state(load_ohms),
                instrument=instrument or self._bench.meter_name,
                range=seen.range,
                time=self._time.now,
                limits_from=limits.origin,
                says=says,
            )
        )

    def number(
        self, of: str, quantity: str, value: float, unit: str, limits: Limits, outcome: str, *, u: float = 0.0,
        says: str = "",
    ) -> Reading:  # fmt: skip
        """A number that came another way than through the meter."""
        return self.keep(
            Reading(
                of=of, quantity=quantity, value=value, unit=unit, u=u, low=limits.low, high=limits.high,
                outcome=outcome, state=self._state(None), instrument="", range=None, time=self._time.now,
                limits_from=limits.origin, says=says,
            )
        )  # fmt: skip

    def missing(self, of: str, quantity: str, unit: str, outcome: str, says: str) -> Reading:
        """A reading that has no number, and why."""
        return self.keep(
            Reading(of, quantity, None, unit, outcome=outcome, state=self._state(None), time=self._time.now, says=says)
        )

    def text(self, of: str, text: str, outcome: str, *, says: str = "") -> Reading:
        """A text reading: what the board said, what the operator answered."""
        told = text if not says else f"{text}: {says}" if text else says
        return self.keep(
            Reading(of, "text", None, "", outcome=outcome, state=self._state(None), time=self._time.now, says=told)
        )

    def keep(self, reading: Reading) -> Reading:
        doubt = self._bench.probing.doubt(reading.of) if reading.outcome != "skipped" else ""
        if doubt:
            reading = self._doubted(reading, doubt)
        elif reading.value is not None:
            self._last[reading.quantity] = reading
        self.readings.append(reading)
        if self._observer is not None:
            self._observer.reading(reading)
        return reading

    def _doubted(self, reading: Reading, doubt: str) -> Reading:
        """A reading that a key took against what the meter saw says so for good, and whether it is what stood there
        before."""
        last = self._last.get(reading.quantity)
        if last is not None and last.of != reading.of and _alike(last, reading):
            doubt += f", and it reads as {last.of} did"
        self.notes.by_key = {**(self.notes.by_key or {}), f"{reading.of} {reading.quantity}": doubt}
        self.say(doubt)
        if reading.value is None:  # its words are its value
            return reading
        return replace(reading, says="; ".join(filter(None, (reading.says, doubt))))

    def forget_doubts(self, gone: Iterable[Reading]) -> None:
        """Readings that count no longer."""
        kept = dict(self.notes.by_key or {})
        for each in gone:
            said = kept.pop(f"{each.of} {each.quantity}", "")
            self.remarks = [remark for remark in self.remarks if not said or remark != said]
        self.notes.by_key = kept or None

    def tell(self, told: Told) -> None:
        """What this kind of step keeps beside its readings."""
        self._told.append(told)

    @property
    def detail(self) -> dict[str, object]:
        """All of it as it is kept."""
        return {name: value for each in (*self._told, self.notes) for name, value in each.as_detail().items()}

    def say(self, text: str) -> None:
        """A remark for the report."""
        if text:
            self.remarks.append(text)
            if self._observer is not None:
                self._observer.says(text)


def _alike(last: Reading, now: Reading) -> bool:
    """Whether two readings in one state are the same within their uncertainty; two at about zero tell nothing."""
    if last.value is None or now.value is None or last.state != now.state:
        return False
    room = COVERAGE * math.hypot(last.u or 0.0, now.u or 0.0)
    return abs(last.value - now.value) <= room < abs(now.value)
