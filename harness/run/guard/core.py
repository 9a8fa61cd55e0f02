"""The trip rules: what a stream of samples of one supply says about cutting the power.

    watch = Watch.fresh(now)
    watch, cut = judge(envelope, watch, sample)

A pure function: no clock, no instrument, so that the guard's process and the virtual bench share it to the letter.

Rules, in the order in which they are looked at:

    output-off        the output is off although it was switched on (the supply's own protection, or a person)
    over-voltage      the output is above its set voltage by more than its margin (fed from elsewhere, broken sense)
    constant-current  the supply limits for longer than the inrush time
    over-current      the current is above the step's envelope once the inrush time is over, or above the limit itself
    reverse-current   a current flows into the supply: something on the board feeds it, a cell or another source
    under-voltage     the output is below its set voltage although the supply does not limit
    lead-off          a current that flowed has ceased: a lead fell off, or a part let go

A supply whose reading is no number is cut off as well (`no-reading`): nobody watches the board then. That is no rule
about the board, and says nothing of it. Nor does a rule that is broken only if a sample that came late is of when it
came: it may be of when it was asked for, before a change had settled. The power is cut all the same (`late-reading`).

A "change" is whatever the runner does that moves the current on purpose: switching on, a step of the ramp, driving a
pin. After it the envelope grants the inrush time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

RULES: Final = (
    "output-off",
    "over-voltage",
    "constant-current",
    "over-current",
    "reverse-current",
    "under-voltage",
    "lead-off",
)

STOPPED: Final = "stopped"  # no rule about the board: a person said so

FLOOR_AMPS: Final = 1e-3  # below this no readback can tell a current from none (common practice, no source)
LEAD_SHARE: Final = 0.1  # a current that falls below this share of the least expected one has ceased
LEAD_TIME: Final = 0.05  # s; a processor that sleeps for a moment is no lead that fell off
NEAR_LIMIT: Final = 0.97  # where a supply does not tell its mode: so near the limit it limits
LIMIT_SHARE: Final = 0.02  # of the limit: what programming it may be off by (common practice, no source)
STRAY_AMPS: Final = 0.005  # A beyond the readback's error: offsets of a supply (common practice, no source)
LIMIT_TIME: Final = 0.03  # s; a charge from the supply's own output capacitor is no limit that fails
NEVER: Final = (None,) * 6
NO_NUMBER: Final = 9.0e37  # SCPI-1999 (from memory): 9.9E37, -9.9E37 and 9.91E37 stand for no reading


@dataclass(frozen=True, slots=True)
class Sample:
    """What the supply says of one output. `mode`: cv, cc, off, unregulated or unknown; `on` None: it cannot tell;
    trip: the protection of its own that has tripped; asked: when the question went out, where the answer came late."""

    time: float
    volts: float
    amps: float
    mode: str = "unknown"
    on: bool | None = None
    trip: str | None = None
    asked: float | None = None


@dataclass(frozen=True, slots=True)
class Envelope:
    """What one output may do. V, A, s.

    volts, limit: the set points; inrush_s: how long it may limit after a change (C·V/I of the board with margin);
    most_amps: the step's own bound on the current, None: only the limit; least_amps: the least current expected, from
    which a lead that fell off is told, None: not told; margin_volts: how far the output may be from its set voltage;
    amps_error: half-width of the supply's current readback; lag_s: how much later than usual the supply lets its output
    follow a command, by its maker's word: a low voltage is granted so much more, and a current nothing.
    """

    volts: float
    limit: float
    inrush_s: float
    most_amps: float | None = None
    least_amps: float | None = None
    margin_volts: float = 0.25
    amps_error: float = 0.0
    lag_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Watch:
    """What must be remembered between samples: the last change, and since when what is odd has been so."""

    changed: float
    limiting_since: float | None = None
    over_since: float | None = None
    low_since: float | None = None
    flowed: bool = False
    ceased_since: float | None = None
    beyond_since: float | None = None  # above the limit itself; nothing that the runner does on purpose excuses that
    reversed_since: float | None = None

    @classmethod
    def fresh(cls, now: float) -> Watch:
        return cls(changed=now)

    def change(self, now: float) -> Watch:
        """The runner moves the current on purpose: grant the inrush time again."""
        return replace(self, changed=now, limiting_since=None, over_since=None, low_since=None)

    def climb(self, now: float) -> Watch:
        """A step of a ramp: what is odd already goes on being so, or a short could be ramped up into."""
        return replace(self, changed=now)


@dataclass(frozen=True, slots=True)
class Cut:
    """Why the power is to be cut: the rule, the sample that broke it, and the rule in words."""

    rule: str
    time: float
    volts: float
    amps: float
    says: str


def judge(envelope: Envelope, watch: Watch, sample: Sample) -> tuple[Watch, Cut | None]:
    """The watch as it is after this sample, and a cut where a rule is broken."""
    if not is_reading(sample.volts, sample.amps):
        return watch, Cut("no-reading", sample.time, math.nan, math.nan, _no_reading(sample))
    before, watch = watch, _remember(envelope, watch, sample)
    cut = _broken(envelope, watch, sample)
    if cut is None or sample.asked is None:
        return watch, cut
    early = replace(sample, time=sample.asked)
    if (surely := _broken(envelope, _remember(envelope, before, early), early)) is not None:
        return watch, replace(surely, time=sample.time)
    return watch, replace(cut, rule="late-reading", says=_says_late(sample.time - sample.asked, cut))


def _broken(envelope: Envelope, watch: Watch, sample: Sample) -> Cut | None:
    for rule in _LOOKED_AT:
        broken = rule(envelope, watch, sample)
        if broken is not None:
            name, says = broken
            return Cut(name, sample.time, sample.volts, sample.amps, says)
    return None


def _says_late(late: float, cut: Cut) -> str:
    return (
        f"the supply's answer came {late * 1e3:.0f} ms after the question: the computer or the link is too busy, and "
        f"nobody can tell whether it shows the board or a moment long past ({cut.rule}: {cut.says})"
    )


def suspicious(watch: Watch) -> bool:
    """Whether a rule is about to be broken, so that the next look should come soon."""
    since = (
        watch.limiting_since, watch.over_since, watch.low_since, watch.ceased_since, watch.beyond_since,
        watch.reversed_since,
    )  # fmt: skip
    return since != NEVER


def is_reading(*values: float) -> bool:
    """Whether all of them are numbers that an instrument can have measured."""
    return all(-NO_NUMBER < value < NO_NUMBER for value in values)


def ceiling(envelope: Envelope) -> float:
    """A: what the readback of a supply that holds its limit can show at most."""
    return envelope.limit * (1 + LIMIT_SHARE) + 2 * envelope.amps_error + FLOOR_AMPS


def _no_reading(sample: Sample) -> str:
    return f"the supply says {sample.volts:g} V and {sample.amps:g} A, which is no reading: nobody watches the board"


def limits(envelope: Envelope, sample: Sample) -> bool:
    """Whether the supply is limiting the current, by its own word or, where it has none, by what it shows."""
    if sample.mode != "unknown":
        return sample.mode == "cc"
    near = sample.amps >= NEAR_LIMIT * envelope.limit - envelope.amps_error
    return near and sample.volts < envelope.volts - envelope.margin_volts


def _remember(envelope: Envelope, watch: Watch, sample: Sample) -> Watch:
    limiting = limits(envelope, sample)
    low = sample.volts < envelope.volts - envelope.margin_volts and not limiting
    over, beyond, reverse = _is_over(envelope, sample), sample.amps > ceiling(envelope), _is_reverse(envelope, sample)
    least = envelope.least_amps
    if not (limiting or low or over or beyond or reverse or least is not None or suspicious(watch)):
        return watch  # nothing odd, as before: the usual case, thousands of times
    flowed, ceased = watch.flowed, False
    if least is not None:
        flowed = flowed or sample.amps >= least
        ceased = flowed and sample.amps < max(LEAD_SHARE * least, FLOOR_AMPS)
    return Watch(
        watch.changed,
        _since(limiting, watch.limiting_since, sample.time),
        _since(over, watch.over_since, sample.time),
        _since(low, watch.low_since, sample.time),
        flowed,
        _since(ceased, watch.ceased_since, sample.time),
        _since(beyond, watch.beyond_since, sample.time),
        _since(reverse, watch.reversed_since, sample.time),
    )


def _is_over(envelope: Envelope, sample: Sample) -> bool:
    return envelope.most_amps is not None and sample.amps > envelope.most_amps


def _is_reverse(envelope: Envelope, sample: Sample) -> bool:
    """Whether this is a current into the supply, and no error of its readback."""
    return sample.amps < -2 * envelope.amps_error - STRAY_AMPS


def _since(holds: bool, since: float | None, now: float) -> float | None:
    return (now if since is None else since) if holds else None


def _settling(envelope: Envelope, watch: Watch, sample: Sample) -> bool:
    return sample.time - watch.changed <= envelope.inrush_s


def _output_off(envelope: Envelope, watch: Watch, sample: Sample) -> tuple[str, str] | None:
    if sample.on is False or sample.mode == "off":
        why = f"its own protection ({sample.trip})" if sample.trip else "its own protection, or a person"
        return "output-off", f"the output is off although it was switched on: {why}"
    return None


def _over_voltage(envelope: Envelope, watch: Watch, sample: Sample) -> tuple[str, str] | None:
    most = envelope.volts + envelope.margin_volts
    if sample.volts <= most or _settling(envelope, watch, sample):
        return None
    return "over-voltage", f"{sample.volts:.3f} V where {envelope.volts:.3f} V is set, at most {most:.3f} V allowed"


def _constant_current(envelope: Envelope, watch: Watch, sample: Sample) -> tuple[str, str] | None:
    since = watch.limiting_since
    if since is None or sample.time - since <= envelope.inrush_s:
        return None
    return "constant-current", (
        f"the supply limits at {envelope.limit * 1e3:.0f} mA for longer than the {envelope.inrush_s * 1e3:.0f} ms "
        f"that charging the board may take; it only reaches {sample.volts:.2f} V"
    )


def _over_current(envelope: Envelope, watch: Watch, sample: Sample) -> tuple[str, str] | None:
    beyond, room = watch.beyond_since, min(LIMIT_TIME, envelope.inrush_s)
    if beyond is not None and (sample.time - beyond > room or not _settling(envelope, watch, sample)):
        return "over-current", (
            f"{sample.amps * 1e3:.1f} mA although its limit is {envelope.limit * 1e3:.1f} mA: the supply does not hold "
            "its limit, or another program has raised it"
        )
    most, since = envelope.most_amps, watch.over_since
    if most is None or since is None:
        return None
    if _settling(envelope, watch, sample) and sample.time - since <= envelope.inrush_s:
        return None
    return "over-current", f"{sample.amps * 1e3:.1f} mA, more than the {most * 1e3:.1f} mA that this step allows"


def _reverse_current(envelope: Envelope, watch: Watch, sample: Sample) -> tuple[str, str] | None:
    """A supply that sinks holds its voltage against a source. What capacitors give back after a change is none."""
    since = watch.reversed_since
    if since is None or sample.time - max(since, watch.changed) <= max(LIMIT_TIME, envelope.inrush_s):
        return None
    return "reverse-current", (
        f"{-sample.amps * 1e3:.1f} mA flow into the supply: something on the board feeds it, a cell or another source"
    )


def _under_voltage(envelope: Envelope, watch: Watch, sample: Sample) -> tuple[str, str] | None:
    since = watch.low_since
    if since is None or sample.time - max(since, watch.changed) <= envelope.inrush_s + envelope.lag_s:
        return None
    return "under-voltage", f"{sample.volts:.3f} V where {envelope.volts:.3f} V is set, and the supply does not limit"


def _lead_off(envelope: Envelope, watch: Watch, sample: Sample) -> tuple[str, str] | None:
    since = watch.ceased_since
    if since is None or sample.time - max(since, watch.changed) < LEAD_TIME:
        return None
    return "lead-off", "the current has ceased: a lead fell off, or a part let go"


_LOOKED_AT: Final = (
    _output_off, _over_voltage, _constant_current, _over_current, _reverse_current, _under_voltage, _lead_off,
)  # fmt: skip
