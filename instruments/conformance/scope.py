"""The conformance suite for an oscilloscope: see conformance.py."""

from __future__ import annotations

from collections.abc import Callable

from wakeboard.instruments.conformance.report import Check, Report, error_queue, identity_of, must
from wakeboard.instruments.errors import BenchError, SettingError
from wakeboard.instruments.ports import Shot, View
from wakeboard.instruments.scpi.scope import Scope

BEFORE, AFTER = 2e-3, 38e-3  # s
LONGEST = 10.0  # s from the signal to a whole shot


def check_scope(scope: Scope, *, step: Callable[[], None] | None = None, volts: float = 5.0) -> list[Check]:
    """Channels, time base and trigger read back; armed without a trigger it shows nothing, stopped it reads nothing.

    step: raises channel 1 from 0 V to `volts` within a few ms; then a shot is taken and read, too.
    """
    report = Report()
    if not report.run("identity", lambda: identity_of(scope.identify())):
        return report.checks
    report.run("error queue", lambda: error_queue(scope.speaker))
    for channel in range(1, scope.dialect.channels + 1):
        report.run(f"channel {channel}", lambda n=str(channel): _channel(scope, n))  # type: ignore[misc]
    report.run("a channel that it has not got", lambda: _refuses(scope))
    report.run("time base", lambda: _time(scope))
    report.run("armed, without a trigger", lambda: _armed(scope))
    if step is not None:
        report.run("a shot", lambda: _shot(scope, step, volts))
    report.run("stopped", lambda: scope.stop())
    return report.checks


def _channel(scope: Scope, channel: str) -> str:
    for span in (0.4, 5.0, 12.0):
        scope.prepare([View(channel, 0.0, span)], Shot(BEFORE, AFTER, channel, span / 2))
    return "shown from 0.4 V to 12 V"


def _refuses(scope: Scope) -> str:
    beyond = str(scope.dialect.channels + 1)
    try:
        scope.prepare([View(beyond, 0.0, 5.0)], Shot(BEFORE, AFTER, beyond, 2.5))
    except SettingError:
        return "refused"
    must(False, f"channel {beyond} was taken")
    return ""


def _time(scope: Scope) -> str:
    for span in (1e-3, 0.04, 1.0):
        scope.prepare([View("1", 0.0, 5.0)], Shot(span / 10, span, "1", 2.5))
    return "from 1 ms to 1 s"


def _armed(scope: Scope) -> str:
    scope.prepare([View("1", 0.0, 5.0)], Shot(BEFORE, AFTER, "1", 4.9))
    scope.arm()
    must(not scope.done(), "it says that its shot is whole, and nothing has triggered it")
    scope.stop()
    must(not scope.done(), "stopped, it says that a shot is whole")
    try:
        scope.read("1")
    except BenchError:
        return "waits, and reads nothing"
    must(False, "a waveform was read without a shot")
    return ""


def _shot(scope: Scope, step: Callable[[], None], volts: float) -> str:
    scope.prepare([View("1", 0.0, 1.1 * volts)], Shot(BEFORE, AFTER, "1", volts / 2))
    scope.arm()
    step()
    clock = scope.link.clock
    ends = clock.now() + LONGEST
    while not scope.done():
        must(clock.now() < ends, f"no whole shot within {LONGEST:g} s")
        clock.sleep(0.02)
    wave = scope.read("1")
    half = wave.half_width(volts)
    must(abs(wave.settled.value - volts) <= half, f"shows {wave.settled.value:.3g} V for {volts:g} V ± {half:.2g} V")
    when = wave.crossing(volts / 2)
    must(abs(when.value) <= 1e-3 + 3 * when.u, f"crosses its trigger's level at {when.value:.3g} s, not at 0")
    return f"{len(wave.volts)} samples, {wave.settled.value:.3f} V at the end, crosses at {when.value * 1e3:.3f} ms"
