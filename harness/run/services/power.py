"""What has power in a run, and what the board's processor drives: switched only through here, under the guard."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from wakeboard.harness.run.errors import Refused
from wakeboard.harness.run.services.timing import FIRST_WAIT
from wakeboard.instruments.errors import BenchError
from wakeboard.instruments.quantity import show

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.run.bench.bench import OpenBench
    from wakeboard.harness.run.guard.core import Envelope
    from wakeboard.harness.run.guard.owner import Ramp, Setting
    from wakeboard.harness.run.services.timing import Timing
    from wakeboard.results.told import Notes


class Power:
    """on: supplies that are on -> (volts, limit); last_volts: what each was set to last; pins: those of the processor
    that are driven -> level; checked: supplies whose check for a short has passed. What is not known to be off:
    off_unknown (all of it, in words), lying (says off and is seen to be on -> how it is known), doubtful (nobody can
    tell -> why)."""

    def __init__(self, board: Board, bench: OpenBench, time: Timing, on: dict[str, tuple[float, float]]) -> None:
        self._board = board
        self._bench = bench
        self._guard = bench.guard
        self._time = time
        self.on = on
        self.last_volts: dict[str, float] = {}
        self.pins: dict[str, str] = {}
        self.checked: set[str] = set()
        self.off_unknown = ""
        self.lying: dict[str, str] = {}
        self.doubtful: dict[str, str] = {}

    def need_on(self, kind: str) -> None:
        if not self.on:
            raise Refused(f"{kind}: no supply is on")

    def need_off(self, kind: str) -> None:
        if self.on:
            raise Refused(f"{kind}: {', '.join(self.on)} is on; it is measured without power only")

    def says(self) -> str:
        """What has power, for a person whose hands are about to touch."""
        if self.lying or self.off_unknown:
            which = "; ".join(self.lying) or self.off_unknown
            return f"NOT CONFIRMED OFF: {which}. Touch nothing; pull the supply's leads"
        live = [f"{name} on, {show(v, 'V')}, limit {show(a, 'A')}" for name, (v, a) in self.on.items()]
        return f"LIVE: {'; '.join(live)}" if live else "All outputs off"

    def clear_hands(self, supply: str, volts: float | Sequence[float], limit: float, purpose: str = "") -> str:
        """Before an output goes on: nobody touches the board. volts: one after the other, where they are several.
        Gives a remark for the record, "" where there is none. Raises OperatorStop, Refused."""
        self._time.pulse()
        self._bench.leads.move_to(supply, self.on, self._bench.move_leads)
        remark = self._bench.clear_hands(supply, volts, limit, purpose)
        if self._bench.probing.by_hand:
            self._bench.probing.release()  # the next point is asked for, whichever it is
        return remark

    def energise(self, supply: str, setting: Setting, envelope: Envelope, ramp: Ramp | None, notes: Notes) -> str:
        """On, and up the ramp, once hands are clear. notes: is told how the supply protects itself. Gives what was said
        of hands, for the record. Raises Tripped, OperatorStop, Refused."""
        self._bench.leads.must_be_shown(supply)
        remark = self.clear_hands(supply, setting.volts, setting.limit)
        self._time.pulse()
        self.on[supply] = (setting.volts, setting.limit)
        self.last_volts[supply] = setting.volts
        notes.protection = self._guard.energise(supply, setting, envelope, ramp)
        while self._guard.climbing(supply):
            self._time.sleep(ramp.seconds if ramp else FIRST_WAIT)
        return remark

    def switch_off(self, names: Sequence[str]) -> None:
        """Off and confirmed; the processor's pins are released with the last supply. Raises OutputsOn."""
        for name in names:
            report = self._guard.off(name)
            if not report.confirmed:
                raise BenchError(report.says(), instrument=self._guard.instrument(name))
            self.on.pop(name, None)
        if not self.on:
            self.pins.clear()

    def note_checked(self, net: str) -> None:
        """The check for a short of every supply on this net has passed."""
        self.checked.update(name for name, supply in self._board.supplies.items() if supply.net == net)

    def set_pin(self, pin: str, level: str) -> None:
        if level == "off":
            self.pins.pop(pin, None)
        else:
            self.pins[pin] = level

    def state(self, load_ohms: float | None = None) -> str:
        """The canonical text of the bench state."""
        return _state_key(tuple(self.on.items()), tuple(self.pins.items()), load_ohms)


@lru_cache(maxsize=1024)
def _state_key(supplies: tuple[tuple[str, tuple[float, float]], ...], pins: Any, load_ohms: float | None) -> str:
    """The text of a state, written once: hundreds of readings, and all runs of a rehearsal, are taken in the same."""
    from wakeboard.harness.describe.state import BenchState

    return BenchState(dict(supplies), dict(pins), load_ohms).key
