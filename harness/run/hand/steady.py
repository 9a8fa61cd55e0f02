"""When a reading taken by hand may be accepted without a key: a pure function of what the meter showed.

    verdict = judge(looks, fresh=False, trusted=True)
    verdict.state        "held": contact is proven and the reading is settled

A meter's open lead reads 0 V through 10 MΩ, as a net at 0 V does, so a level proves contact only where it is not near
zero. Near zero the input is made high-ohmic: the meter's bias current (34401A data sheet: below 30 pA) then lifts an
open lead by some hundred millivolts a second, and a net with a way to ground, or with a nanofarad, stays. Whether this
meter's open lead does move is not taken for granted: only after it was seen to move once is standing still a proof
(`trusted`). Else the person is asked.

A probe that still rests on the last point reads steadily, too, and what an ohms test left on its net drifts by itself.
So after a prompt the lead must have been seen in the air first, by the same test: about zero through 10 MΩ, away from
it with the input high-ohmic, back at once. A reading that has changed is no move. Where no lift was seen a person
says that the probe is on the new point.
A negative reading, an overload: never accepted, never turned into something else; the person is asked.

Before an output goes on the same test is put the other way round (`aloft`): is the lead in the air?
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

WINDOW = 0.5  # s that the reading must have been steady …
LOOKS = 4  # … over at least so many looks
BAND_VOLTS, BAND_SHARE = 0.005, 0.005  # how far apart the looks of a steady reading are, at most
NEAR_ZERO = 0.1  # V: below it an open lead with some hum may read as much
AT_ZERO = 0.025  # V: an open lead through 10 MΩ reads less (hum is what it may have)
RUN_AWAY = 0.03  # V that an open lead moves while it is looked at with the input high-ohmic
PROOF = 1.0  # s that a reading must stand still with the input high-ohmic, and in which an open lead has moved
SLOWER = 3.0  # times slower than the fastest lead in the air: a net that something charges, no lead

ON_BOARD = 0.3  # s with a level through 10 MΩ that no lead in the air has (one is at zero within milliseconds)
CYCLES = 2  # times that a lead is looked at with the input high-ohmic: what moved each time, but as no lead does

Aloft = Literal["looking", "prove", "back", "air", "on", "unseen"]
State = Literal["moving", "old", "prove", "open", "held", "zero", "negative", "over", "blind"]


@dataclass(frozen=True, slots=True)
class Look:
    """One reading, V; None where it was an overload. high_z: with the input high-ohmic."""

    time: float
    volts: float | None
    high_z: bool = False


@dataclass(frozen=True, slots=True)
class Verdict:
    """What to do with the looks so far. moving: wait. old: steady, but no lift was seen since the prompt: wait.
    prove: make the input high-ohmic. open: no contact: back to 10 MΩ. held: accept `volts`. zero, negative, over,
    blind: only a person can accept it."""

    state: State
    volts: float | None = None


def judge(
    looks: Sequence[Look], *, fresh: bool, trusted: bool, can_prove: bool = True, least_rate: float = 0.0
) -> Verdict:
    """The verdict on the looks since the prompt, in order of time.

    fresh: the probe is known to have left the last point; trusted: this meter's open lead was seen to move with a
    high-ohmic input; can_prove: the input can be made high-ohmic; least_rate: as in `lifted`.
    """
    if not looks:
        return Verdict("moving")
    last = looks[-1]
    if last.volts is None:
        return Verdict("over")
    window = _window(looks)
    left = fresh or lifted(looks, least_rate)
    if last.high_z:
        return _proven(looks, window, left, trusted)
    if not left and can_prove and abs(last.volts) < AT_ZERO:
        return Verdict("prove", last.volts)  # at once: a lead is in the air for a second only
    if window is None:
        return Verdict("moving", last.volts)
    mean = sum(window) / len(window)
    if abs(mean) < NEAR_ZERO:
        return Verdict("prove" if can_prove else "zero", mean)
    if not left:
        return Verdict("old", mean)
    return Verdict("held" if mean > 0 else "negative", mean)


def _proven(looks: Sequence[Look], window: list[float] | None, left: bool, trusted: bool) -> Verdict:
    """With the input high-ohmic: what moves is open; what stands still long enough is a contact, if that is known."""
    since = _stretch(looks)
    if drifts(looks):
        return Verdict("open", looks[-1].volts)
    if window is None or since[-1].time - since[0].time < PROOF:
        return Verdict("moving", looks[-1].volts)
    mean = sum(window) / len(window)
    return Verdict("zero" if not trusted else "held" if left else "old", mean)


def aloft(looks: Sequence[Look], *, can_prove: bool, least_rate: float = 0.0) -> Aloft:
    """Whether the lead is in the air, by the looks since the question, in order of time.

    air: seen to move as an open lead does. on: it has a level, or stands still, or moves as no open lead does: it is on
    something. looking: look again; prove, back: with the input high-ohmic, at 10 MΩ. unseen: nothing tells, since the
    input cannot be made high-ohmic, or back. can_prove, least_rate: as in `judge`.
    """
    if not looks:
        return "looking"
    if lifted(looks, least_rate):
        return "air"
    since = _stretch(looks)
    if looks[-1].high_z:
        if not can_prove:
            return "unseen"
        if drifts(looks):
            return "back"
        return "on" if since[-1].time - since[0].time >= PROOF else "looking"
    tried = sum(part[0].high_z for part in _stretches(looks))
    volts = looks[-1].volts
    if volts is not None and abs(volts) < AT_ZERO:
        return "unseen" if not can_prove else "prove" if tried < CYCLES else "on"
    return "on" if since[-1].time - since[0].time >= ON_BOARD else "looking"


def drifts(looks: Sequence[Look]) -> bool:
    """Whether the reading has moved lately with the input high-ohmic."""
    volts = [look.volts for look in _lately(_stretch(looks)) if look.volts is not None and look.high_z]
    return len(volts) >= LOOKS and max(volts) - min(volts) > RUN_AWAY


def lifted(looks: Sequence[Look], least_rate: float = 0.0) -> bool:
    """Whether the lead was seen in the air, at `least_rate` V/s at least (`open_lead_rate`)."""
    rate = open_lead_rate(looks)
    return rate is not None and rate >= least_rate


def open_lead_rate(looks: Sequence[Look]) -> float | None:
    """V/s by which an open lead was seen to move, at most: about zero through 10 MΩ, away little by little while the
    input was high-ohmic, at zero at once through 10 MΩ again. None where none was. A probe that touches a point moves
    the reading at one stroke; a net that holds charge is not at zero at once."""
    parts = _stretches(looks)
    found = [
        _rate(high)
        for before, high, after in zip(parts, parts[1:], parts[2:], strict=False)
        if high[0].high_z and _at_zero([before[-1], after[0]]) and _creeps(_lately(high))
    ]
    return max(found, default=None)


def _at_zero(looks: Sequence[Look]) -> bool:
    return all(look.volts is not None and abs(look.volts) < AT_ZERO for look in looks)


def _creeps(looks: Sequence[Look]) -> bool:
    """Away from zero little by little: what comes back to it is a charge that goes."""
    volts = [look.volts for look in looks if look.volts is not None]
    if len(volts) < LOOKS or len(volts) < len(looks):
        return False
    moved = abs(volts[-1]) - abs(volts[0])
    steps = [abs(after - before) for before, after in itertools.pairwise(volts)]
    return moved > RUN_AWAY and max(steps) < moved / 2


def _rate(looks: Sequence[Look]) -> float:
    """V/s of the last looks."""
    few = [look for look in looks[-LOOKS:] if look.volts is not None]
    return abs((few[-1].volts or 0.0) - (few[0].volts or 0.0)) / max(few[-1].time - few[0].time, 1e-9)


def _lately(looks: Sequence[Look]) -> list[Look]:
    """Those of the last PROOF seconds."""
    return [look for look in looks if look.time >= looks[-1].time - PROOF - 1e-9]


def _stretches(looks: Sequence[Look]) -> list[list[Look]]:
    """The looks in pieces of one input resistance each."""
    return [list(part) for _, part in itertools.groupby(looks, key=lambda look: look.high_z)]


def _stretch(looks: Sequence[Look]) -> Sequence[Look]:
    """The last looks with the same input resistance."""
    return _stretches(looks)[-1]


def _window(looks: Sequence[Look]) -> list[float] | None:
    """The readings of the last WINDOW seconds, where they are steady, enough, and of one input resistance."""
    since = _stretch(looks)
    ends = since[-1].time
    recent = [look for look in since if look.time >= ends - WINDOW - 1e-9]
    if len(recent) == len(since) and ends - since[0].time < WINDOW - 1e-9:
        return None
    volts = [look.volts for look in recent if look.volts is not None]
    if len(volts) < max(LOOKS, len(recent)):
        return None
    mean = sum(volts) / len(volts)
    return volts if max(volts) - min(volts) <= BAND_VOLTS + BAND_SHARE * abs(mean) else None
