"""What a revision's page shows: each change with its evidence and what the circuit says of it, as texts."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class ChangeView:
    """One change. does: what is done in the words of the drawing; effect: a word, outcome: the shape beside it; mends,
    brings, worse, better: sentences; evidence: units, runs and readings; none of them: the drawing alone says it."""

    number: int
    title: str
    why: str
    does: tuple[str, ...]
    effect: str
    outcome: str
    mends: tuple[str, ...] = ()
    brings: tuple[str, ...] = ()
    worse: tuple[str, ...] = ()
    better: tuple[str, ...] = ()
    evidence: tuple[str, ...] = ()
    says: str = ""


@dataclass(frozen=True)
class MarginView:
    """A line in one state: its distance to the nearest limit before and after, and how that ends."""

    line: str
    level: str
    before: str
    after: str
    outcome: str


@dataclass(frozen=True)
class SequenceView:
    """One sequence rehearsed on both. caught: the shares before and after; to_do: what it must have changed."""

    title: str
    caught: tuple[str, str]
    at_least: bool
    caught_now: tuple[str, ...] = ()
    escapes_now: tuple[str, ...] = ()
    burns_now: tuple[str, ...] = ()
    to_do: tuple[str, ...] = ()


@dataclass(frozen=True)
class RevisionView:
    """The page. counts: (number, word) of what is mended, still there and new."""

    board: str
    before: str
    after: str
    summary: str
    outcome: str
    changes: tuple[ChangeView, ...]
    learned: tuple[str, ...] = ()
    still: tuple[str, ...] = ()
    worse: tuple[str, ...] = ()
    better: tuple[str, ...] = ()
    new: tuple[str, ...] = ()
    margins: tuple[MarginView, ...] = ()
    unmoved: int = 0
    sequences: tuple[SequenceView, ...] = ()
    differing: tuple[tuple[str, str, str, str], ...] = ()
    """(net, state, volts before, volts after) of what A's units can no longer be compared in."""
    drawn: tuple[str, ...] = field(default=())
    """What a circuit notices of all changes together."""
