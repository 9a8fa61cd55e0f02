"""Guard: the one owner of the supplies of a run. Both shells (own process, virtual clock) drive this same class.

    guard = Guard({"USB": Feed(psu, 1)}, clock)
    guard.prove_off()                       every output of the off-list off, and said to be off, before anything else
    guard.arm("USB", Setting(5.0, 0.12, ovp=5.5), envelope)
    guard.on("USB", ramp=Ramp(0.5, 0.02))
    guard.tick()                            again and again: next step of the ramp, one sample of each output, the rules
    guard.off("USB"); guard.all_off(); guard.look_again()

The off-list is fixed when the guard is made: the outputs that feed the board. A broken rule switches all of them off at
once, inside the tick that saw it; `guard.cut` then says why. Whatever fails while switching off, the rest of the list
is still tried, and what could not be confirmed is reported as unknown: unknown is not off.

While an output is on, its voltage and limit are read back now and then: another program, or a hand at the panel, may
have changed them. Outputs that are off are looked at in turn (dark.py), also those that feed nothing of this board: one
that was off when the run began and comes on cuts the power, and is switched off with the others.

A protection that tripped is never cleared while its output is on: some supplies switch the output back on when the
trip is cleared (E363xA User's Guide, p88 and 91; DP2000 Programming Guide, p48).
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from wakeboard.harness.run.guard.armed import Armed, protections
from wakeboard.harness.run.guard.core import RULES, Cut, Envelope, Sample, Watch, judge, suspicious
from wakeboard.harness.run.guard.dark import Dark
from wakeboard.harness.run.guard.switching import Off, amps_error, settle_s
from wakeboard.harness.run.guard.terms import Feed, OffReport, Ramp, Setting, Time, Track
from wakeboard.instruments.errors import (
    BenchError,
    DialectError,
    InstrumentFault,
    LinkGarbled,
    LinkTimeout,
    SettingError,
)

if TYPE_CHECKING:
    from wakeboard.instruments.link.traffic import Exchange

__all__ = ["Feed", "Guard", "OffReport", "Ramp", "Setting", "Track"]
CLOSE = 0.05  # s after a change during which every sample matters
QUIET = 0.01  # s without a thought of what else might be due, where nothing was
CHECK = 0.5  # s between two looks at the voltage and limit in force
SETTLED = 0.15  # s after switching off, until the last look: an output that comes back has come back by then
ROUNDS = 3  # of switching off what came back
LATE, LATE_TIMES = 0.1, 4.0  # s, and times its quickest answer: later than both, a sample is of nobody knows when
SWITCHED_OFF = (
    "the output was switched off, and the supply says that no protection of its own has tripped: another program, a "
    "hand at its panel, or a supply that started anew"
)

LINK_FAILURES = (OSError, BenchError, ValueError)


class _Live:
    """One output that is on."""

    def __init__(self, setting: Setting, envelope: Envelope, now: float) -> None:
        self.setting = setting
        self.envelope = envelope
        self.watch = Watch.fresh(now)
        self.ramp: Ramp | None = None
        self.due = now
        self.check_due = now + CHECK
        self.volts = setting.volts

    @property
    def now_allowed(self) -> Envelope:
        """The envelope at the voltage that the ramp has reached."""
        return self.envelope if self.volts == self.envelope.volts else replace(self.envelope, volts=self.volts)


class Guard:
    """Owner of the outputs that feed the board. Not thread-safe: one shell calls it from one loop."""

    def __init__(self, feeds: Mapping[str, Feed], clock: Time, traffic: list[Exchange] | None = None) -> None:
        """traffic: the log of the supplies' links; what was said for a sample that is thinned away is taken out."""
        self.feeds = dict(feeds)
        self.clock = clock
        self.traffic = traffic
        self.cut: Cut | None = None
        self.cut_supply = ""
        self.came_on: Cut | None = None  # the last time that an output came on by itself, before or after a cut
        self.came_on_supply = ""
        self.latest: dict[str, Sample] = {}
        self.off_report: OffReport | None = None
        self._armed: dict[str, tuple[Setting, Envelope]] = {}
        self._live: dict[str, _Live] = {}
        self._tracks: dict[str, Track] = {}
        self._doubtful: set[str] = set()  # told to be off, and not seen to be
        self._strays: dict[str, Feed] = {}  # outputs that feed nothing of the board, and were off when the run began
        self._proven = False
        self._quiet_until = -math.inf
        self._energised = 0.0
        self._on_since: float | None = None
        every = {**self.feeds, **_strays(self.feeds)}
        self._off, self._dark = Off(every, clock), Dark(every, clock)

    # --- before -----------------------------------------------------------------------------------------------------
    def prove_off(self) -> OffReport:
        """Try the off-list before anything is energised, so that it is known to work. A trip found is cleared after."""
        report = self.all_off()
        if report.confirmed:
            for feed in self.feeds.values():
                if feed.psu.tripped(feed.channel):
                    self._clear(feed)
            self._strays = {name: feed for name, feed in _strays(self.feeds).items() if _is_off(feed)}
            self._proven = True
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
        if not self._proven:
            raise SettingError("not every output has been seen to be off: nothing is armed", instrument=feed.instrument)
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
        live.watch = Watch.fresh(now)
        if ramp is not None:
            live.due = now + ramp.seconds

    def climbing(self, supply: str) -> bool:
        """Whether the ramp has steps to go."""
        live = self._live.get(supply)
        return live is not None and live.ramp is not None

    @property
    def any_live(self) -> bool:
        """Whether any output is on, or is not seen to be off, as far as the guard knows."""
        return bool(self._live or self._doubtful)

    @property
    def energised(self) -> float:
        """s with at least one output on, up to now."""
        running = 0.0 if self._on_since is None else self.clock.now() - self._on_since
        return self._energised + running

    def amps_error(self, supply: str, amps: float) -> float:
        """Half-width of the supply's current readback at `amps`; 0.0 where its dialect does not say."""
        return amps_error(self.feeds[supply], amps)

    def settle_s(self, supply: str) -> float:
        """s from a command to the output having moved; 0.0 where its dialect does not say."""
        return settle_s(self.feeds[supply])

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

    @property
    def next_event(self) -> float:
        """s on the clock, of a guard that is to look closely: until then, looks at outputs that show the same tell
        nothing new. A step of a ramp is due, a change is long past, or now, where a rule is about to be broken."""
        due = math.inf
        for live in self._live.values():
            if suspicious(live.watch):
                return self.clock.now()
            past = live.watch.changed + max(CLOSE, live.envelope.inrush_s)
            due = min(due, live.due if live.ramp is not None else past)
        return due

    def tick(self) -> None:
        """Climb ramps, take one sample of each output that is on, apply the rules; then one look besides, where one is
        due: at what an output is set to, or at one that is off. A link that fails cuts the power."""
        for supply in list(self._live) if self.cut is None else ():
            live = self._live.get(supply)
            if live is None:
                return
            with self._link_of(supply):
                self._climb(supply, live)
                sample = self.sample(supply)
            live.watch, cut = judge(live.now_allowed, live.watch, sample)
            if cut is not None:
                self._cut(supply, cut)
                self._whose_doing(supply, cut, sample)
                return
        if self.clock.now() >= self._quiet_until:
            self._look_besides()

    def _look_besides(self) -> None:
        if not self._check_settings() and not self._look_at_dark():
            due = [live.check_due for live in self._live.values()]
            self._quiet_until = min([self.clock.now() + QUIET, *due])

    @contextlib.contextmanager
    def _link_of(self, supply: str) -> Iterator[None]:
        try:
            yield
        except LINK_FAILURES as error:
            self._cut(supply, self._reason("link-lost", str(error)))
            raise

    def _reason(self, rule: str, says: str) -> Cut:
        """A cut that no sample has brought about."""
        return Cut(rule, self.clock.now(), math.nan, math.nan, says)

    def _check_settings(self) -> bool:
        """The voltage and limit in force of the output that is due: True where one was. They are read back while it is
        on, since they can be changed by another program, and at the panel."""
        now = self.clock.now()
        live = [(each.check_due, supply) for supply, each in self._live.items() if each.check_due <= now]
        if not live or self.cut is not None:
            return False
        supply = min(live)[1]
        feed, said = self.feeds[supply], self._said()
        self._live[supply].check_due = now + CHECK
        with self._link_of(supply):
            try:
                feed.psu.check_settings(feed.channel)
            except SettingError as error:
                self._cut(supply, self._reason("settings-changed", f"{error}: another program, or a hand at its panel"))
                return True
        self._forget_said(said)
        return True

    def _look_at_dark(self) -> bool:
        """One output that is off, where one is due: True where one was. Nothing is known of them before they were all
        switched off."""
        supply = self._dark.due(self._believed_off()) if self._proven else None
        if supply is None:
            return False
        said = self._said()
        with self._link_of(supply):
            why = self._dark.look(supply)
        if why:
            self._came_on(supply, why)
        else:
            self._forget_said(said)
        return True

    def _believed_off(self) -> list[str]:
        lit = {id(self.feeds[name].psu) for name in self._live if _together(self.feeds[name])}
        known = {**self.feeds, **self._strays}
        return [
            name for name, feed in known.items()
            if name not in self._live and name not in self._doubtful and id(feed.psu) not in lit
        ]  # fmt: skip

    def _note_back(self, supply: str, why: str) -> Cut:
        self.came_on_supply, self.came_on = supply, self._reason("came-on", f"the output of {supply}: {why}")
        return self.came_on

    def _came_on(self, supply: str, why: str) -> None:
        cut = self._note_back(supply, why)
        if self._on_since is None:
            self._on_since = self.clock.now()
        self._doubtful.add(supply)
        self._cut(supply, cut)

    def _said(self) -> int:
        return len(self.traffic or ())

    def _forget_said(self, said: int) -> None:
        """What was said since then tells nothing new."""
        if self.traffic is not None:
            del self.traffic[said:]

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
        feed, said = self.feeds[supply], self._said()
        asked = self.clock.now()
        seen = feed.psu.sample(feed.channel)
        trip, now = getattr(seen, "trip", None), self.clock.now()
        late = asked if self._is_late(supply, now - asked) else None
        sample = Sample(now, seen.volts, seen.amps, seen.mode, seen.on, trip, late)
        self.latest[supply] = sample
        live, track = self._live.get(supply), self._tracks.setdefault(supply, Track())
        if (live is not None and self._is_close(live, sample.time)) or not track.tells_nothing_new(sample):
            track.add(sample, live.setting.limit if live else 0.0)
        else:
            self._forget_said(said)
        return sample

    def _is_late(self, supply: str, took: float) -> bool:
        """A supply that is always slow is not late: what it can be held to is its quickest answer so far."""
        return took > max(LATE, LATE_TIMES * self._dark.took(supply, took))

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
        """Every output of the off-list off, and what came on beside; each tried whatever the others do. Idempotent."""
        strays = [name for name in self._strays if name in self._doubtful]
        self.off_report = self._switch_off([*self.feeds, *strays])
        self._count()
        return self.off_report

    def look_again(self) -> OffReport:
        """A while after all were switched off, without a command: are they still? What came back is switched off
        again, some times; the report is of the last look."""
        known = [*self.feeds, *self._strays]
        report = OffReport({})
        for _ in range(ROUNDS):
            self.clock.sleep(SETTLED)
            believed = self._believed_off()
            report = self._off.look(known)
            self._doubtful = {name for name, state in report.states.items() if state != "off"}
            back = [name for name in believed if report.states[name] == "on"]
            if not self._doubtful:
                break
            if not back:
                return self.all_off()
            self._came_on(back[0], report.errors[back[0]])
        return report

    def abandon(self, rule: str, why: str) -> None:
        """Cut for a reason that is no supply's: the runner hangs, the guard itself failed."""
        supply = next(iter(self._live), "")
        seen = self.latest.get(supply)
        volts, amps = (seen.volts, seen.amps) if seen else (float("nan"), float("nan"))
        self._cut(supply, Cut(rule, self.clock.now(), volts, amps, why))

    def _cut(self, supply: str, cut: Cut) -> None:
        self.cut, self.cut_supply = self.cut or cut, self.cut_supply or supply
        self.all_off()

    def _whose_doing(self, supply: str, cut: Cut, sample: Sample) -> None:
        """After a cut: a rule that was broken because somebody else had changed the settings says nothing of the unit.
        One whose output went off by itself may have lost them with it; there it is asked what has tripped."""
        feed = self.feeds[supply]
        if cut is not self.cut or cut.rule not in RULES:
            return
        try:
            if cut.rule != "output-off":
                feed.psu.check_settings(feed.channel)
            elif sample.trip not in ("ovp", "ocp") and feed.psu.untripped(feed.channel):
                self.cut = replace(cut, rule="switched-off", says=SWITCHED_OFF)
        except SettingError as error:
            told = f"{error}: another program, or a hand at its panel ({cut.rule}: {cut.says})"
            self.cut = replace(cut, rule="settings-changed", says=told)
        except LINK_FAILURES:
            return  # it is off, and the rule stands

    def _switch_off(self, supplies: list[str]) -> OffReport:
        report = self._off.switch(supplies, self._believed_off() if self._proven else ())
        for supply, state in report.states.items():
            self._armed.pop(supply, None)
            if state == "off":
                self._live.pop(supply, None)
                self._doubtful.discard(supply)
            else:
                self._doubtful.add(supply)
        self._dark.begin(supply for supply, state in report.states.items() if state == "off")
        for supply, why in self._off.back.items():  # off again by now, or in the report
            self._note_back(supply, why)
        return report

    def _count(self) -> None:
        """Close the count of energised time when the last output is off."""
        if self._on_since is not None and not self.any_live:
            self._energised += self.clock.now() - self._on_since
            self._on_since = None


def _strays(feeds: Mapping[str, Feed]) -> dict[str, Feed]:
    """The outputs of the same supplies that feed nothing of the board."""
    ours = {(id(feed.psu), str(feed.channel)) for feed in feeds.values()}
    found: dict[str, Feed] = {}
    for feed in {id(each.psu): each for each in feeds.values() if not _together(each)}.values():
        for channel in getattr(feed.psu, "channels", ()):
            if (id(feed.psu), str(channel)) not in ours:
                found[f"{feed.instrument} output {channel}"] = replace(feed, channel=channel)
    return found


def _is_off(feed: Feed) -> bool:
    try:
        return not feed.psu.is_on(feed.channel)
    except LINK_FAILURES:  # it is nobody's output: the supplies of the board have all said what they had to
        return False


def _together(feed: Feed) -> bool:
    """Whether the supply's outputs have one switch: what is on beside the one that was asked for is on with it."""
    can = getattr(feed.psu, "can", None)
    return can is not None and can.outputs == "together"


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
