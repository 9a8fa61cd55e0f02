"""What a test holds in its hand: a supply, a point."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from wakeboard.harness.describe.sequence.steps import step_kinds
from wakeboard.harness.pytest_plugin import MARK
from wakeboard.harness.run.errors import Refused
from wakeboard.harness.run.live import reading_text

if TYPE_CHECKING:
    import pytest

    from wakeboard.harness.script.seat import Amount, Seat
    from wakeboard.results.records import Reading, Step


class StepFailed(AssertionError):
    """A step was no pass; the text has its readings."""


def allowed(item: pytest.Item, do: str) -> None:
    """Raises Refused where a test without the mark would switch a supply on: leaving marked tests out must leave the
    board without power."""
    kind = step_kinds().get(do)
    if kind is not None and kind.needs.energises and item.get_closest_marker(MARK) is None:
        raise Refused(f"{item.name} switches power on and is not marked so: @pytest.mark.{MARK}")


def must_pass(step: Step) -> Step:
    """The step itself. Raises StepFailed."""
    if step.outcome not in ("pass", "skipped"):
        raise StepFailed(told(step))
    return step


def told(step: Step) -> str:
    """A step in a few lines: its outcome, then the readings that are no pass."""
    odd = [reading_text(each) for each in step.readings if each.outcome not in ("pass", "skipped")]
    return "\n  ".join([f"{step.name}: {step.outcome}", *odd, *([step.says] if step.says else [])])


class Supply:
    """A supply of the board."""

    def __init__(self, seat: Seat, name: str, item: pytest.Item) -> None:
        self._seat, self.name, self._item = seat, name, item

    def on(self, *, limit: Amount | None = None, check: str | None = None, **more: Any) -> Step:
        """On, under a limit (A). check: the least resistance without power, such as "> 1 kΩ", measured first where it
        has not been in this session; without it, and without `why`, a supply that was not checked is refused. Further:
        volts, expect, trip, ramp, … as in a sequence. Raises StepFailed, Refused, Tripped."""
        allowed(self._item, "power on")
        if check is not None and self.name not in self._seat.checked:
            must_pass(self._seat.check(self.name, check))
        return must_pass(self._seat.power(self.name, limit=limit, **more))

    def off(self) -> Step:
        """Off, and the discharge measured. Raises StepFailed, Refused."""
        return must_pass(self._seat.step(do="power off", supply=[self.name]))

    def amps(self) -> float:
        """The current it draws, A. Raises Refused while it is off."""
        return _value(self._seat.step(do="current", supply=self.name).readings)


class Point:
    """A point, line, rail, supply or net of the board."""

    def __init__(self, seat: Seat, name: str) -> None:
        self._seat, self.name = seat, name

    def read(self, expect: str | None = None) -> Reading:
        """Volts to ground with their uncertainty, held against `expect` ("circuit": what the circuit gives)."""
        return self._seat.read(self.name, expect=expect)

    def volts(self) -> float:
        """V to ground, nan where the meter overloads. Raises Refused with no supply on."""
        return _value([self.read()])

    def ohms(self) -> float:
        """Ω to ground, plus lead on the point, inf where it is beyond the range. Raises Refused with a supply on."""
        readings = self._seat.step(do="resistance", of=[self.name], on_fail="go on").readings
        return next((float("inf") if r.value is None else r.value for r in readings if r.unit == "Ω"), float("nan"))


def _value(readings: Any) -> float:
    return next((reading.value for reading in readings if reading.value is not None), float("nan"))
