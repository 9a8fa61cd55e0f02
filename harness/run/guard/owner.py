"""Guard: the one owner of the supplies of a run. Both shells (own process, virtual clock) drive this same class.

    guard = Guard({"USB": Feed(psu, 1)}, clock)
    guard.prove_off()                       every output of the off-list off, and said to be off, before anything else
    guard.arm("USB", Setting(5.0, 0.12, ovp=5.5), envelope)
    guard.on("USB", ramp=Ramp(0.5, 0.02))
    guard.tick()                            again and again: next step of the ramp, one sample of each output, the rules
    guard.off("USB"); guard.all_off()

The off-list is fixed when the guard is made: the outputs that feed the board. A broken rule switches all of them off at
once, inside the tick that saw it; `guard.cut` then says why. Whatever fails while switching off, the rest of the list
is still tried, and what could not be confirmed is reported as unknown: unknown is not off.

A protection that tripped is never cleared while its output is on: some supplies switch the output back on when the
trip is cleared (E363xA User's Guide, p88 and 91; DP2000 Programming Guide, p48).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from wakeboard.harness.run.guard.armed import Armed, protections
from wakeboard.harness.run.guard.core import Cut, Envelope, Sample, Watch, judge, suspicious
from wakeboard.harness.run.guard.switching import Off, amps_error
from wakeboard.harness.run.guard.terms import Feed, OffReport, Ramp, Setting, Time, Track
from wakeboard.instruments.errors import (
    BenchError,
    DialectError,
    InstrumentFault,
    LinkGarbled,
    LinkTimeout,
    SettingError,
)

__all__ = ["Feed", "Guard", "OffReport", "Ramp", "Setting", "Track"]
CLOSE = 0.05  # s after a change during which every sample matters
LINK_FAILURES = (OSError, BenchError, ValueError)


class _Live:
    """One output that is on."""

    def __init__(self, setting: Setting, envelope: Envelope, now: float) -> None:
        self.setting = setting
        self.envelope = envelope
        self.watch = Watch.fresh(now)
        self.ramp: Ramp | None = None
        self.due = 0.0
        self.volts = setting.volts

    @property
    def now_allowed(self) -> Envelope:
        """The envelope at the voltage that the ramp has reached."""
        return self.envelope if self.volts == self.envelope.volts else replace(self.envelope, volts=self.volts)


class Guard:
    """Owner of the outputs that feed the board. Not thread-safe: one shell calls it from one loop."""

    def __init__(self, feeds: Mapping[str, Feed], clock: Time, traffic: list[Any] | None = None) -> None:
        """traffic: the log of the supplies' links; what was said for a sample that is thinned away is taken out."""
        self.feeds = dict(feeds)
        self.clock = clock
        self.traffic = traffic
        self.cut: Cut | None = None
        self.cut_supply = ""
        self.latest: dict[str, Sample] = {}
        self.energised = 0.0  # s with at least one output on
        self.off_report: OffReport | None = None
        self._armed: dict[str, tuple[Setting, Envelope]] = {}
        self._live: dict[str, _Live] = {}
        self._tracks: dict[str, Track] = {}
        self._on_since: float | None = None
        self._off = Off(self.feeds, clock)

    # --- before -----------------------------------------------------------------------------------------------------
    def prove_off(self) -> OffReport:
        """Try the off-list before anything is energised, so that it is known to work. A trip found is cleared after."""
        report = self.all_off()
        if report.confirmed:
            for feed in self.feeds.values():
                if feed.psu.tripped(feed.channel):
                    self._clear(feed)
        return report

    def _clear(self, feed: Feed) -> None:
        """The driver switches off, verifies, clears and verifies again; here it is seen to have done so."""
        feed.psu.clear(feed.channel)
        if feed.psu.is_on(feed.channel):
            feed.psu.off(feed.channel)
            raise SettingError("clearing the protection switched the output on", instrument=feed.instrument)

    def arm(self, supply: str, setting: Setting, envelope: Envelope) -> str:
        """Program an output that is off: limit, voltage and protections, each read back by the driver. Says which of
        the supply's own protections are armed."""
        feed = self.feeds[supply]
        if self.cut is not None:
            raise SettingError(f"the guard has cut the power ({self.cut.rule}): nothing is armed any more")
        if supply in self._live:
            raise SettingError(f"{supply} is on already", instrument=feed.instrument)
        if setting.limit <= 0:
            raise SettingError(f"{supply} has no current limit: it is not armed", instrument=feed.instrument)
        if feed.psu.is_on(feed.channel):
            feed.psu.off(feed.channel)
            raise SettingError(f"the output of {supply} was on before it was armed", instrument=feed.instrument)
        feed.psu.set(feed.channel, setting.volts, setting.limit)
        says = _protect(feed, protections(setting, envelope, feed.psu, feed.channel))
        self._armed[supply] = (setting, envelope)
        return says

    # --- while it is on ---------------------------------------------------------------------------------------------
    def on(self, supply: str, ramp: Ramp | None = None) -> None:
        """Switch an armed output on, at the foot of its ramp where one is given; `tick` climbs it."""
        if supply not in self._armed:
            raise SettingError(f"{supply} is not armed", instrument=self.feeds[supply].instrument)
        setting, envelope = self._armed.pop(supply)
        feed, live = self.feeds[supply], _Live(setting, envelope, self.clock.now())
        if ramp is not None and ramp.volts > 0:
            live.ramp, live.volts = ramp, min(setting.volts, ramp.start)
            feed.psu.set(feed.channel, live.volts, setting.limit)
        if self._on_since is None:
            self._on_since = self.clock.now()
        self._live[supply] = live  # before the command: if its answer is lost the output may be on
        try:
            feed.psu.on(feed.channel)
        except SettingError as error:  # it went off at once: its own protection
            self._cut(supply, Cut("output-off", self.clock.now(), float("nan"), float("nan"), str(error)))
            return
        now = self.clock.now()
        live.watch, live.due = Watch.fresh(now), now + (ramp.seconds if ramp else 0.0)

    def climbing(self, supply: str) -> bool:
        """Whether the ramp has steps to go."""
        live = self._live.get(supply)
        return live is not None and live.ramp is not None

    @property
    def any_live(self) -> bool:
        """Whether any output is on, as far as the guard knows."""
        return bool(self._live)

    def amps_error(self, supply: str, amps: float) -> float:
        """Half-width of the supply's current readback at `amps`; 0.0 where its dialect does not say."""
        return amps_error(self.feeds[supply], amps)

    def bound(self, supply: str, most_amps: float | None, least_amps: float | None) -> None:
        """Hold the current of an output that is on within other bounds from here on."""
        if live := self._live.get(supply):
            live.envelope = replace(live.envelope, most_amps=most_amps, least_amps=least_amps)

    def change(self) -> None:
        """The runner is about to move the current on purpose (a pin, a mode)."""
        now = self.clock.now()
        for live in self._live.values():
            live.watch = live.watch.change(now)

    @property
    def close(self) -> bool:
        """Whether the next look should come soon: a ramp, a recent change, or a rule about to be broken."""
        now = self.clock.now()
        return any(
            live.ramp is not None
            or suspicious(live.watch)
            or now - live.watch.changed <= max(CLOSE, live.envelope.inrush_s)
            for live in self._live.values()
        )

    def tick(self) -> None:
        """Climb ramps, take one sample of each output that is on, apply the rules. A link that fails cuts the power."""
        for supply in list(self._live):
            live = self._live.get(supply)
            if live is None:
                return
            try:
                self._climb(supply, live)
                sample = self.sample(supply)
            except LINK_FAILURES as error:
                self._cut(supply, Cut("link-lost", self.clock.now(), float("nan"), float("nan"), str(error)))
                raise
            live.watch, cut = judge(live.now_allowed, live.watch, sample)
            if cut is not None:
                self._cut(supply, cut)
                return

    def _climb(self, supply: str, live: _Live) -> None:
        now = self.clock.now()
        if live.ramp is None or now < live.due:
            return
        feed, target = self.feeds[supply], live.setting.volts
        live.volts = min(target, live.volts + live.ramp.volts)
        feed.psu.set(feed.channel, live.volts, live.setting.limit)
        now = self.clock.now()
        live.watch, live.due = live.watch.climb(now), now + live.ramp.seconds
        if live.volts >= target:
            live.ramp = None

    def sample(self, supply: str) -> Sample:
        """One sample, kept for the trace unless it tells nothing new."""
        feed, said = self.feeds[supply], len(self.traffic) if self.traffic is not None else 0
        seen = feed.psu.sample(feed.channel)
        trip = getattr(seen, "trip", None)
        sample = Sample(self.clock.now(), seen.volts, seen.amps, seen.mode, seen.on, trip)
        self.latest[supply] = sample
        live, track = self._live.get(supply), self._tracks.setdefault(supply, Track())
        if (live is not None and self._is_close(live, sample.time)) or not track.tells_nothing_new(sample):
            track.add(sample, live.setting.limit if live else 0.0)
        elif self.traffic is not None:
            del self.traffic[said:]
        return sample

    @staticmethod
    def _is_close(live: _Live, now: float) -> bool:
        return live.ramp is not None or now - live.watch.changed <= CLOSE

    def take_trace(self) -> dict[str, Track]:
        """The samples since the last call, by supply."""
        tracks, self._tracks = self._tracks, {}
        return tracks

    # --- off --------------------------------------------------------------------------------------------------------
    def off(self, supply: str) -> OffReport:
        """One output off, and said to be off."""
        report = self._switch_off([supply])
        self._count()
        return report

    def all_off(self) -> OffReport:
        """Every output of the off-list off, each tried whatever the others do. Idempotent."""
        self.off_report = self._switch_off(list(self.feeds))
        self._count()
        return self.off_report

    def abandon(self, rule: str, why: str) -> None:
        """Cut for a reason that is no supply's: the runner hangs, the guard itself failed."""
        supply = next(iter(self._live), "")
        seen = self.latest.get(supply)
        volts, amps = (seen.volts, seen.amps) if seen else (float("nan"), float("nan"))
        self._cut(supply, Cut(rule, self.clock.now(), volts, amps, why))

    def _cut(self, supply: str, cut: Cut) -> None:
        self.cut, self.cut_supply = self.cut or cut, self.cut_supply or supply
        self.all_off()

    def _switch_off(self, supplies: list[str]) -> OffReport:
        report = self._off.switch(supplies, self._live)
        for supply, state in report.states.items():
            self._armed.pop(supply, None)
            if state == "off":
                self._live.pop(supply, None)
        return report

    def _count(self) -> None:
        """Close the count of energised time when the last output is off."""
        if self._on_since is not None and not self._live:
            self.energised += self.clock.now() - self._on_since
            self._on_since = None


def _protect(feed: Feed, plan: Armed) -> str:
    """Arm what is planned. Over-current protection that nobody asked for and that this supply does not take after all
    is left off, and said: the guard and the current limit do without it."""
    if plan.ovp is not None:
        feed.psu.protect(feed.channel, ovp=plan.ovp)
    if plan.ocp is None:
        return plan.says
    delay = {} if plan.delay is None else {"delay": plan.delay}
    try:
        feed.psu.protect(feed.channel, ocp=plan.ocp, **delay)
    except (SettingError, InstrumentFault, DialectError, LinkTimeout, LinkGarbled) as error:
        if plan.asked:
            raise
        feed.psu.unprotect(feed.channel)
        return f"its over-current protection is not armed: {error}"
    return plan.says
