"""Whether an instrument does what its dialect says: run on any supply, meter or scanner, real or virtual.

    for check in check_psu(psu, "1"):                 open circuit, 1 V, 10 mA
        print(check.name, check.ok, check.says)
    check_psu(psu, "1", load=47.0)                    with a resistor: current limit and its trip too
    check_dmm(meter)                                  leads open
    check_scanner(scanner, ["101", "102"])            nothing connected that must not be

A check that the instrument cannot be put to is left out, not passed. Whatever happens, the output is off at the end;
the last check says whether that is confirmed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TypeVar

from .dmm import UNITS, Dmm, Measurement
from .errors import BenchError, DialectError, InstrumentFault, LinkError, SettingError
from .identity import Identity
from .psu import Psu, Sample
from .scanner import Scanner
from .speaker import Speaker

_T = TypeVar("_T")
SETTLE = 3.0  # s that an output gets to arrive
POLL = 0.02  # s


@dataclass(frozen=True, slots=True)
class Check:
    """What was tried, whether it went as it should, and what was seen."""

    name: str
    ok: bool
    says: str = ""


class Failed(Exception):
    """A check did not hold; the text says why."""


class _Report:
    """Collects checks; a BenchError fails the one that is under way."""

    def __init__(self) -> None:
        self.checks: list[Check] = []

    def run(self, name: str, trial: Callable[[], str | None]) -> bool:
        """Run one check; its text is what was seen."""
        try:
            says = trial() or ""
        except Failed as failure:
            self.checks.append(Check(name, False, str(failure)))
        except BenchError as error:
            self.checks.append(Check(name, False, f"{type(error).__name__}: {error}"))
        else:
            self.checks.append(Check(name, True, says))
        return self.checks[-1].ok


def _must(held: bool, says: str) -> None:
    if not held:
        raise Failed(says)


# --- supplies -------------------------------------------------------------------------------------------------------
def check_psu(psu: Psu, ch: str, *, volts: float = 1.0, amps: float = 0.010, load: float | None = None) -> list[Check]:
    """Set, read back, limit, protection, on, regulation, trip, clear, error, off, on one output.

    load: ohms of a resistor across the output, None: open circuit. With a load of at most volts/(2·amps) the current
    limit and the over-current trip are tried too.
    """
    report = _Report()
    trial = _PsuTrial(psu, ch, volts, amps, load)
    with _left_off(psu, ch, report):
        if not report.run("identity", trial.identity) or not report.run("off", trial.off):
            return report.checks
        report.run("limits", trial.limits)
        if not report.run("set and read back", trial.settings):
            return report.checks
        report.run("a setting beyond the limits is refused", trial.beyond)
        report.run("error queue", lambda: _errors(psu.speaker))
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
def _left_off(psu: Psu, ch: str, report: _Report) -> Iterator[None]:
    try:
        yield
    finally:
        report.run("off at the end", lambda: _confirmed_off(psu, ch))


def _confirmed_off(psu: Psu, ch: str) -> str:
    if psu.off(ch):
        return "the supply says that it is off"
    seen, _ = _until(psu, lambda: psu.measure(ch), lambda each: abs(each[0]) < 0.3)
    _must(abs(seen[0]) < 0.3, f"the supply cannot tell its state, and {seen[0]:.3f} V stand at its output")
    return f"the supply cannot tell; {seen[0]:.3f} V at its output"


def _until(psu: Psu | Dmm, look: Callable[[], _T], good: Callable[[_T], bool]) -> tuple[_T, float]:
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
        return _identity(identity)

    def off(self) -> str:
        return _confirmed_off(self.psu, self.ch)

    def limits(self) -> str:
        found = self.psu.limits(self.ch)
        _must(0 < self.volts <= found.volts, f"the output goes to {found.volts:g} V, {self.volts:g} V are to be tried")
        _must(0 < self.amps <= found.amps, f"the output goes to {found.amps:g} A, {self.amps:g} A are to be tried")
        return f"{found.volts:g} V, {found.amps:g} A, steps {found.volts_step:g} V, {found.amps_step:g} A"

    def settings(self) -> str:
        psu, limits = self.psu, self.psu.limits(self.ch)
        for part in (0.5, 1.0):
            amps = self.enough * part
            psu.set(self.ch, self.volts * part, amps)
            if self.psu.dialect.ask.volts is None:
                return "this supply cannot tell its settings"
            found = psu.settings(self.ch)
            _must(abs(found[0] - self.volts * part) <= 1.01 * limits.volts_step, f"it says {found[0]:g} V")
            _must(abs(found[1] - amps) <= 1.01 * limits.amps_step, f"it says {found[1]:g} A")
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
        _must(seen.on, "the output was switched on and is not on")
        _must(abs(seen.volts - self.volts) <= room, f"set to {self.volts:g} V, it reads {seen.volts:g} V")
        return f"{seen.volts:.4g} V, {seen.amps:.4g} A after {after:.2f} s"

    def _calm(self) -> None:
        """No over-current trip may stand in the way of the inrush."""
        psu = self.psu
        if psu.dialect.say.ocp_off:
            psu.speaker.say(psu.render(self.ch, psu.dialect.say.ocp_off))
        elif psu.can.ocp == "level":
            psu.protect(self.ch, ocp=psu.limits(self.ch).amps)

    def _sampled(self, good: Callable[[Sample], bool]) -> tuple[Sample, float]:
        return _until(self.psu, lambda: self.psu.sample(self.ch), good)

    def regulation(self) -> str:
        seen, _ = self._sampled(lambda each: each.mode == "cv")
        _must(seen.mode in ("cv", "unknown"), f"an output within its limit says {seen.mode}")
        return self._bits(seen.mode)

    def _bits(self, mode: str) -> str:
        judge = self.psu.judge(self.ch)
        if judge.trusted:
            return mode
        _must(not judge.refuted, f"{mode} by its readings; the status bits of the dialect say otherwise")
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
        _must(seen.mode in ("cc", "unknown"), f"an output at its limit says {seen.mode}")
        room = self.psu.amps_accuracy.half_width(self.amps, 0.0) + 0.1 * self.amps
        _must(abs(seen.amps - self.amps) <= room, f"limited to {self.amps:g} A, it reads {seen.amps:g} A")
        _must(seen.volts < 0.75 * self.volts, f"limited, it still reads {seen.volts:g} V")
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
        _must(not seen.on or seen.trip is not None, f"no trip within {SETTLE:g} s: {seen.volts:g} V, {seen.amps:g} A")
        trip = self.psu.tripped(self.ch)
        _must(trip in (kind, "other"), f"the output is off, and the supply says {trip}")
        return f"{trip} after {after:.2f} s {before}".strip()

    def clear(self) -> str:
        self.restored = self.psu.clear(self.ch)
        _must(not self.psu.is_on(self.ch), "clearing left the output on")
        if self.psu.can.ovp:
            self.psu.protect(self.ch, ovp=self._above())
        told = self.psu.can.clear_restores
        if self.restored:
            _must(told != "no", "clearing switched the output back on, the dialect says that it does not")
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


def _identity(identity: Identity) -> str:
    _must(bool(identity.text.strip()), "it does not say who it is")
    return identity.text.strip()


def _errors(speaker: Speaker) -> str:
    """A command that cannot be done must show in the error queue; afterwards the queue must be empty."""
    if speaker.dialect.error is None:
        return "this instrument has no error queue"
    speaker.errors()
    speaker.say([speaker.dialect.mistake])
    found = speaker.errors()
    _must(bool(found), f"{speaker.dialect.mistake!r} left no error")
    left = speaker.errors()
    _must(not left, f"the queue is not empty after it was read: {left}")
    return ", ".join(f"{code} {text}".strip() for code, text in found)


# --- meters ---------------------------------------------------------------------------------------------------------
def check_dmm(
    dmm: Dmm, *, open_leads: bool = True, without: Sequence[str] = ("current",), longest: float = 1000.0
) -> list[Check]:
    """Each quantity and each range, integration, input resistance, repeats, overload, error queue.

    open_leads: nothing is connected; then ohms must overload. Nothing that is connected may mind up to 13 V and 1 mA.
    without: quantities that are left alone; current is, since its jack may be wired to something. longest: NPLC of the
    longest integration that is tried.
    """
    report = _Report()
    if not report.run("identity", lambda: _identity(dmm.identify())):
        return report.checks
    report.run("error queue", lambda: _errors(dmm.speaker))
    for name in dmm.dialect.quantities:
        if name not in without:
            report.run(name, lambda name=name: _quantity(dmm, name))  # type: ignore[misc]
            for span in dmm.dialect.quantities[name].ranges:
                report.run(f"{name}, range {span:g} {UNITS[name]}", lambda n=name, s=span: _range(dmm, n, s))  # type: ignore[misc]
    for nplc in (each for each in dmm.dialect.nplc if each <= longest):
        report.run(f"integration {nplc:g}", lambda nplc=nplc: _shown(dmm.dc_volts(_middle(dmm), nplc)))  # type: ignore[misc]
    report.run("three readings", lambda: _repeats(dmm))
    report.run("input resistance", lambda: _input(dmm))
    if open_leads:
        report.run("overload", lambda: _overload(dmm))
    report.run("terminals", lambda: dmm.terminals() or "this meter does not tell")
    return report.checks


def _quantity(dmm: Dmm, name: str) -> str:
    return _shown(dmm.measure(name))  # type: ignore[arg-type]


def _range(dmm: Dmm, name: str, span: float) -> str:
    seen = dmm.measure(name, span)  # type: ignore[arg-type]
    if seen.range is not None:
        _must(math.isclose(seen.range, span, rel_tol=0.01), f"range {span:g} was said, it is on {seen.range:g}")
    most = dmm.dialect.quantities[name].over * span * 1.01  # type: ignore[index]
    _must(seen.overload or name == "frequency" or abs(seen.value) <= most, f"reads {seen.value:g} on range {span:g}")
    return _shown(seen)


def _shown(seen: Measurement) -> str:
    if seen.overload:
        return "overload"
    _must(math.isfinite(seen.value) and (seen.u > 0 or seen.value == 0), f"reads {seen.value!r} with u = {seen.u!r}")
    return f"{seen.value:.6g} {seen.unit}, u = {seen.u:.2g}"


def _middle(dmm: Dmm) -> float:
    ranges = dmm.dialect.quantities["dc volts"].ranges
    return min(each for each in ranges if each >= 4)


def _repeats(dmm: Dmm) -> str:
    seen = dmm.dc_volts(_middle(dmm), count=3)
    _must(seen.count == 3, f"three readings were asked, {seen.count} came")
    return _shown(seen)


def _input(dmm: Dmm) -> str:
    said = []
    for high in (True, False):
        try:
            dmm.input_ohms(high)
        except DialectError as error:
            said.append(str(error))
            continue
        dmm.dc_volts(_middle(dmm))
        said.append("> 10 GΩ" if high else "10 MΩ")
    return ", ".join(said)


def _overload(dmm: Dmm) -> str:
    spans = dmm.dialect.quantities["ohms"].ranges
    seen = dmm.ohms(spans[1] if len(spans) > 1 else None)
    _must(seen.overload, f"open leads read {seen.value:g} Ω")
    _must(math.isinf(seen.value), "an overload must not look like a number")
    return "open leads overload"


# --- scanners -------------------------------------------------------------------------------------------------------
def check_scanner(scanner: Scanner, channels: Sequence[str], *, unknown: str = "999") -> list[Check]:
    """Close, open, one at a time, counts, a channel that no card has. channels: at least two that may be switched."""
    first, second = channels[0], channels[1]
    report = _Report()
    if not report.run("identity", lambda: _identity(scanner.identify())):
        return report.checks
    report.run("error queue", lambda: _errors(scanner.speaker))
    try:
        report.run("open all", lambda: _open_all(scanner, channels))
        report.run("close", lambda: _closed(scanner, first))
        if not scanner.dialect.one_at_a_time:
            report.run("two at once", lambda: _both(scanner, first, second))
        report.run("only", lambda: _only(scanner, first, second))
        report.run("count", lambda: _counts(scanner, first))
        report.run("a channel that no card has", lambda: _unknown(scanner, unknown))
    finally:
        report.run("open at the end", lambda: _open_all(scanner, channels))
    return report.checks


def _open_all(scanner: Scanner, channels: Sequence[str]) -> str:
    scanner.open_all()
    left = [each for each in channels if scanner.is_closed(each)]
    _must(not left, f"{', '.join(left)} still closed")
    return "all open"


def _closed(scanner: Scanner, name: str) -> str:
    scanner.close(name)
    _must(scanner.closed() == [name], f"closed {name}, the scanner says {scanner.closed()}")
    return name


def _both(scanner: Scanner, first: str, second: str) -> str:
    scanner.close(second)
    found = scanner.closed()
    _must(set(found) == {first, second}, f"closed {first} and {second}, the scanner says {found}")
    scanner.open(first)
    _must(scanner.closed() == [second], f"opened {first}, the scanner says {scanner.closed()}")
    return f"{first}, {second}"


def _only(scanner: Scanner, first: str, second: str) -> str:
    for name in (first, second):
        scanner.only(name)
        _must(scanner.closed() == [name], f"only {name}, the scanner says {scanner.closed()}")
    return f"{first}, then {second}"


def _counts(scanner: Scanner, name: str) -> str:
    before = scanner.count(name)
    if before is None:
        return "this scanner does not count"
    scanner.only(name)
    scanner.open_all()
    after = scanner.count(name)
    _must(after is not None and after > before, f"{before} operations before, {after} after one more")
    return f"{after} operations"


def _unknown(scanner: Scanner, name: str) -> str:
    try:
        scanner.close(name)
    except LinkError:
        raise
    except BenchError as error:
        scanner.errors()
        return str(error)
    raise Failed(f"channel {name}, which no card has, was closed without complaint")
