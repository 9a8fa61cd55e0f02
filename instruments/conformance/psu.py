"""The conformance suite for a supply: see conformance.py."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from wakeboard.instruments.conformance.report import Check, Failed, Report, error_queue, identity_of, must
from wakeboard.instruments.errors import DialectError, InstrumentFault, SettingError
from wakeboard.instruments.ports import OutputSample
from wakeboard.instruments.scpi.psu import Psu

_T = TypeVar("_T")
SETTLE = 3.0  # s that an output gets to arrive
POLL = 0.02  # s


def check_psu(psu: Psu, ch: str, *, volts: float = 1.0, amps: float = 0.010, load: float | None = None) -> list[Check]:
    """Set, read back, limit, protection, on, regulation, trip, clear, error, off, on one output.

    load: ohms of a resistor across the output, None: open circuit. With a load of at most volts/(2·amps) the current
    limit and the over-current trip are tried too.
    """
    report = Report()
    trial = _PsuTrial(psu, ch, volts, amps, load)
    with _left_off(psu, ch, report):
        if not report.run("identity", trial.identity) or not report.run("off", trial.off):
            return report.checks
        report.run("limits", trial.limits)
        if not report.run("set and read back", trial.settings):
            return report.checks
        report.run("a setting beyond the limits is refused", trial.beyond)
        report.run("error queue", lambda: error_queue(psu.speaker))
        report.run("protection read back", trial.protection)
        if report.run("on", trial.on):
            report.run("regulation mode", trial.regulation)
            report.run("another program's change is noticed", trial.noticed)
        if load is not None and load <= volts / (2 * amps):
            report.run("current limit", trial.current_limit)
            if psu.can.ocp != "none":
                report.run("over-current trip", trial.over_current)
                report.run("clear after over-current", trial.clear)
        if psu.can.ovp:
            report.run("over-voltage trip", trial.over_voltage)
            report.run("clear after over-voltage", trial.clear)
    return report.checks


@contextmanager
def _left_off(psu: Psu, ch: str, report: Report) -> Iterator[None]:
    try:
        yield
    finally:
        report.run("off at the end", lambda: _confirmed_off(psu, ch))


def _confirmed_off(psu: Psu, ch: str) -> str:
    if psu.off(ch):
        return "the supply says that it is off"
    seen, _ = _until(psu, lambda: psu.measure(ch), lambda each: abs(each[0]) < 0.3)
    must(abs(seen[0]) < 0.3, f"the supply cannot tell its state, and {seen[0]:.3f} V stand at its output")
    return f"the supply cannot tell; {seen[0]:.3f} V at its output"


def _until(psu: Psu, look: Callable[[], _T], good: Callable[[_T], bool]) -> tuple[_T, float]:
    """Look until it is good or SETTLE is over; what was seen last, and after how many seconds."""
    clock = psu.link.clock
    start = clock.now()
    while True:
        seen = look()
        if good(seen) or clock.now() - start > SETTLE:
            return seen, clock.now() - start
        clock.sleep(POLL)


class _PsuTrial:
    """The single checks of a supply; each puts the output into the state that it needs."""

    def __init__(self, psu: Psu, ch: str, volts: float, amps: float, load: float | None) -> None:
        self.psu = psu
        self.ch = ch
        self.volts = volts
        self.amps = amps
        self.load = load
        self.restored = False

    @property
    def enough(self) -> float:
        """A limit, A, that the load does not reach."""
        return self.amps if self.load is None else max(self.amps, 2 * self.volts / self.load)

    def identity(self) -> str:
        identity = self.psu.identify()
        return identity_of(identity)

    def off(self) -> str:
        return _confirmed_off(self.psu, self.ch)

    def limits(self) -> str:
        found = self.psu.limits(self.ch)
        must(0 < self.volts <= found.volts, f"the output goes to {found.volts:g} V, {self.volts:g} V are to be tried")
        must(0 < self.amps <= found.amps, f"the output goes to {found.amps:g} A, {self.amps:g} A are to be tried")
        return f"{found.volts:g} V, {found.amps:g} A, steps {found.volts_step:g} V, {found.amps_step:g} A"

    def settings(self) -> str:
        psu, limits = self.psu, self.psu.limits(self.ch)
        for part in (0.5, 1.0):
            amps = self.enough * part
            psu.set(self.ch, self.volts * part, amps)
            if self.psu.dialect.ask.volts is None:
                return "this supply cannot tell its settings"
            found = psu.settings(self.ch)
            must(abs(found[0] - self.volts * part) <= 1.01 * limits.volts_step, f"it says {found[0]:g} V")
            must(abs(found[1] - amps) <= 1.01 * limits.amps_step, f"it says {found[1]:g} A")
        return f"{self.volts:g} V, {self.enough:g} A"

    def beyond(self) -> str:
        limits = self.psu.limits(self.ch)
        try:
            self.psu.set(self.ch, limits.volts * 1.2 + 1, self.amps)
        except SettingError:
            return "by the driver, before it is sent"
        raise Failed("a voltage above the limit was accepted")

    def protection(self) -> str:
        psu, can = self.psu, self.psu.can
        said = []
        if can.ovp:
            psu.protect(self.ch, ovp=self._above())
            said.append(f"over-voltage {self._above():g} V")
        if can.ocp == "level":
            psu.protect(self.ch, ocp=self.enough)
            said.append(f"over-current {self.enough:g} A")
        if not can.ovp:
            _refused(lambda: psu.protect(self.ch, ovp=self._above()), "an over-voltage protection that it has not got")
        return ", ".join(said) or "this supply has none"

    def _above(self) -> float:
        return min(self.volts * 1.5 + 0.5, self.psu.limits(self.ch).volts)

    def on(self) -> str:
        self._calm()
        self.psu.set(self.ch, self.volts, self.enough)
        self.psu.on(self.ch)
        room = self.psu.volts_accuracy.half_width(self.volts, 0.0) + 0.02 * self.volts
        seen, after = self._sampled(lambda each: abs(each.volts - self.volts) <= room)
        must(seen.on, "the output was switched on and is not on")
        must(abs(seen.volts - self.volts) <= room, f"set to {self.volts:g} V, it reads {seen.volts:g} V")
        return f"{seen.volts:.4g} V, {seen.amps:.4g} A after {after:.2f} s"

    def _calm(self) -> None:
        """No over-current trip may stand in the way of the inrush."""
        psu = self.psu
        if psu.dialect.say.ocp_off:
            psu.unprotect(self.ch)
        elif psu.can.ocp == "level":
            psu.protect(self.ch, ocp=psu.limits(self.ch).amps)

    def _sampled(self, good: Callable[[OutputSample], bool]) -> tuple[OutputSample, float]:
        return _until(self.psu, lambda: self.psu.sample(self.ch), good)

    def regulation(self) -> str:
        seen, _ = self._sampled(lambda each: each.mode == "cv")
        must(seen.mode in ("cv", "unknown"), f"an output within its limit says {seen.mode}")
        return self._bits(seen.mode)

    def _bits(self, mode: str) -> str:
        judge = self.psu.judge(self.ch)
        if judge.trusted:
            return mode
        must(not judge.refuted, f"{mode} by its readings; the status bits of the dialect say otherwise")
        return f"{mode}; the dialect's unverified status bits agreed {judge.agreed} times"

    def noticed(self) -> str:
        """As another program would: change the voltage without the driver's knowledge."""
        if self.psu.dialect.ask.volts is None:
            return "this supply cannot tell its settings"
        psu = self.psu
        psu.speaker.say(psu.render(self.ch, psu.dialect.say.volts, volts=self.volts / 2))
        try:
            psu.check_settings(self.ch)
        except SettingError:
            psu.set(self.ch, self.volts, self.enough)
            return "check_settings tells"
        raise Failed("the voltage was changed behind the driver's back and it did not tell")

    def current_limit(self) -> str:
        assert self.load is not None
        self._calm()
        self.psu.set(self.ch, self.volts, self.amps)
        if not self.psu.is_on(self.ch):
            self.psu.on(self.ch)
        seen, _ = self._sampled(lambda each: each.mode == "cc")
        must(seen.mode in ("cc", "unknown"), f"an output at its limit says {seen.mode}")
        room = self.psu.amps_accuracy.half_width(self.amps, 0.0) + 0.1 * self.amps
        must(abs(seen.amps - self.amps) <= room, f"limited to {self.amps:g} A, it reads {seen.amps:g} A")
        must(seen.volts < 0.75 * self.volts, f"limited, it still reads {seen.volts:g} V")
        return f"{seen.amps:.4g} A; {self._bits(seen.mode)}"

    def over_current(self) -> str:
        psu = self.psu
        psu.off(self.ch)
        psu.set(self.ch, self.volts, self.enough if psu.can.ocp == "level" else self.amps)
        psu.protect(self.ch, ocp=self.amps, delay=0.05)
        with_trip = _switched_on(psu, self.ch)
        return self._tripped("ocp", with_trip)

    def over_voltage(self) -> str:
        """The level is lowered below the voltage that stands at the output; some supplies refuse that."""
        psu = self.psu
        self._calm()
        psu.off(self.ch)
        psu.set(self.ch, self.volts, self.enough)
        psu.protect(self.ch, ovp=self._above())
        psu.on(self.ch)
        try:
            psu.protect(self.ch, ovp=self.volts / 2)
        except InstrumentFault as fault:
            psu.errors()
            return f"a level below the voltage is refused: {fault}"
        return self._tripped("ovp", "")

    def _tripped(self, kind: str, before: str) -> str:
        seen, after = self._sampled(lambda each: not each.on or each.trip is not None)
        must(not seen.on or seen.trip is not None, f"no trip within {SETTLE:g} s: {seen.volts:g} V, {seen.amps:g} A")
        trip = self.psu.tripped(self.ch)
        must(trip in (kind, "other"), f"the output is off, and the supply says {trip}")
        return f"{trip} after {after:.2f} s {before}".strip()

    def clear(self) -> str:
        self.restored = self.psu.clear(self.ch)
        must(not self.psu.is_on(self.ch), "clearing left the output on")
        if self.psu.can.ovp:
            self.psu.protect(self.ch, ovp=self._above())
        told = self.psu.can.clear_restores
        if self.restored:
            must(told != "no", "clearing switched the output back on, the dialect says that it does not")
            return "clearing switched the output back on, at zero volts; it was switched off again"
        return "the output stayed off"


def _switched_on(psu: Psu, ch: str) -> str:
    """On, for a trip that may come before the answer does."""
    try:
        psu.on(ch)
    except SettingError as error:
        return f"({error})"
    return ""


def _refused(action: Callable[[], object], what: str) -> None:
    try:
        action()
    except DialectError:
        return
    raise Failed(f"the driver accepted {what}")
