"""When a reading taken by hand may be accepted without a key: a pure function of what the meter showed.

    verdict = judge(looks, fresh=False, trusted=True)
    verdict.state        "held": contact is proven and the reading is settled

A meter's open lead reads 0 V through 10 MΩ, as a net at 0 V does, so a level proves contact only where it is not near
zero. Near zero the input is made high-ohmic: the meter's bias current (34401A data sheet: below 30 pA) then lifts an
open lead by some hundred millivolts a second, and a net with a way to ground, or with a nanofarad, stays. Whether this
meter's open lead does move is not taken for granted: only after it was seen to move once is standing still a proof
(`trusted`). Else the person is asked.

A probe that still rests on the last point reads steadily, too: after a prompt the reading must have moved first.
A negative reading, an overload: never accepted, never turned into something else; the person is asked.
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
JUMP_VOLTS, JUMP_SHARE = 0.05, 0.05  # a reading that moved so far since the prompt is another contact
RUN_AWAY = 0.03  # V that an open lead moves while it is looked at with the input high-ohmic
PROOF = 1.0  # s that a reading must stand still with the input high-ohmic

State = Literal["moving", "old", "prove", "open", "held", "zero", "negative", "over"]


@dataclass(frozen=True, slots=True)
class Look:
    """One reading, V; None where it was an overload. high_z: with the input high-ohmic."""

    time: float
    volts: float | None
    high_z: bool = False


@dataclass(frozen=True, slots=True)
class Verdict:
    """What to do with the looks so far. moving: wait. old: steady, but not moved since the prompt: wait. prove: make
    the input high-ohmic. open: no contact: back to 10 MΩ. held: accept `volts`. zero, negative, over: only a person
    can accept it."""

    state: State
    volts: float | None = None


def judge(looks: Sequence[Look], *, fresh: bool, trusted: bool, can_prove: bool = True) -> Verdict:
    """The verdict on the looks since the prompt, in order of time.

    fresh: the probe was on no point before; trusted: this meter's open lead was seen to move with a high-ohmic input;
    can_prove: the input can be made high-ohmic.
    """
    if not looks:
        return Verdict("moving")
    last = looks[-1]
    if last.volts is None:
        return Verdict("over")
    window = _window(looks)
    if last.high_z:
        return _proven(looks, window, fresh, trusted)
    if window is None:
        return Verdict("moving", last.volts)
    mean = sum(window) / len(window)
    if abs(mean) < NEAR_ZERO:
        return Verdict("prove" if can_prove else "zero", mean)
    if not (fresh or has_moved(looks)):
        return Verdict("old", mean)
    return Verdict("held" if mean > 0 else "negative", mean)


def _proven(looks: Sequence[Look], window: list[float] | None, fresh: bool, trusted: bool) -> Verdict:
    """With the input high-ohmic: what moves is open; what stands still long enough is a contact, if that is known."""
    since = _stretch(looks)
    if drifts(looks):
        return Verdict("open", looks[-1].volts)
    if window is None or since[-1].time - since[0].time < PROOF:
        return Verdict("moving", looks[-1].volts)
    mean = sum(window) / len(window)
    moved = fresh or has_moved(looks)
    return Verdict("held" if trusted and moved else "zero", mean)


def drifts(looks: Sequence[Look]) -> bool:
    """Whether the reading has moved since the input became high-ohmic."""
    volts = [look.volts for look in _stretch(looks) if look.volts is not None and look.high_z]
    return len(volts) >= LOOKS and max(volts) - min(volts) > RUN_AWAY


def open_lead_moves(looks: Sequence[Look]) -> bool:
    """Whether an open lead was seen to move: away little by little while the input was high-ohmic, back at zero through
    10 MΩ. A probe that touches a point moves the reading at one stroke, and stays there."""
    parts = _stretches(looks)
    return any(
        before[0].high_z and _creeps(before) and all(abs(look.volts or 0.0) < NEAR_ZERO / 4 for look in after[:2])
        for before, after in itertools.pairwise(parts)
        if len(after) > 1
    )


def _creeps(looks: Sequence[Look]) -> bool:
    volts = [look.volts for look in looks if look.volts is not None]
    if len(volts) < LOOKS or len(volts) < len(looks):
        return False
    moved = max(volts) - min(volts)
    steps = [abs(after - before) for before, after in itertools.pairwise(volts)]
    return moved > RUN_AWAY and max(steps) < moved / 2


def has_moved(looks: Sequence[Look]) -> bool:
    """Whether the reading has left what it was at the prompt: the probe was lifted, or came from the air."""
    first = next((look.volts for look in looks if look.volts is not None), None)
    if first is None:
        return False
    room = JUMP_VOLTS + JUMP_SHARE * abs(first)
    if any(look.volts is None or abs(look.volts - first) > room for look in looks):
        return True
    return any(drifts(part) for part in _stretches(looks))


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
