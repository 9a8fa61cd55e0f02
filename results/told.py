"""What a step keeps beside its readings, said once: written by the step, read by explain and by reports.

In a record it is `Step.detail`, plain JSON: fields that a run did not write, as runs of earlier versions did not, have
their defaults.

    context.log.tell(OhmsTold(range_ohms=10e3, test_amps=1e-4, open_volts=13.0, most_volts=1.0, shunt_ohms=10e3))
    OhmsTold.of(step).test_amps
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from wakeboard.results.records import Step


@dataclass
class Told:
    """Base of what steps tell. Values are plain JSON."""

    def as_detail(self) -> dict[str, object]:
        """What is kept."""
        return {each.name: getattr(self, each.name) for each in fields(self)}

    @classmethod
    def of(cls, step: Step) -> Self:
        """What a step of a record told, as far as it is of the right shape."""
        known = {each.name: step.detail.get(each.name) for each in fields(cls)}
        return cls(**{name: value for name, value in known.items() if value is not None})


@dataclass
class OhmsTold(Told):
    """An unpowered test: its range (Ω) and test current (A); V that an open input puts out, and the most that stood on
    a net; Ω of the known resistor across. None: not known, or none."""

    range_ohms: float | None = None
    test_amps: float | None = None
    open_volts: float | None = None
    most_volts: float | None = None
    shunt_ohms: float | None = None


@dataclass
class PowerTold(Told):
    """How a supply was switched on: V, A, protections (V, A; None: left alone), s that it might limit."""

    volts: float | None = None
    limit: float | None = None
    ovp: float | None = None
    ocp: float | None = None
    inrush_s: float | None = None


@dataclass
class StartUpTold(Told):
    """What an oscilloscope saw while a supply came up. waves: net -> {level (V), share (of its own step, where that
    counts), at (s; None: it does not get there), times (s after the trigger), low and high (V, of the samples about
    each time)}; trigger: the net and V of it."""

    waves: Mapping[str, Mapping[str, Any]] | None = None
    trigger: Mapping[str, object] | None = None

    def as_detail(self) -> dict[str, object]:
        return {name: value for name, value in super().as_detail().items() if value}


@dataclass
class LinesTold(Told):
    """not_judged: lines whose level could not be expected; thresholds: net -> {low, high, rail (V), expected}."""

    not_judged: Sequence[str] = ()
    thresholds: Mapping[str, Mapping[str, object]] | None = None

    def as_detail(self) -> dict[str, Any]:
        kept = {"not_judged": list(self.not_judged)}
        return {**kept, "thresholds": dict(self.thresholds)} if self.thresholds else kept


@dataclass
class TransferTold(Told):
    """bytes moved, in s: a stream's, or a volume's for writing and reading; what the figure says of a cache."""

    bytes: int = 0
    seconds: float | None = None
    write_s: float | None = None
    read_s: float | None = None
    cache: str | None = None

    def as_detail(self) -> dict[str, Any]:
        return {name: value for name, value in super().as_detail().items() if value is not None}


@dataclass
class BackFeedTold(Told):
    """Supplies that are off and fed from another."""

    fed_supplies: Sequence[str] = ()


@dataclass
class RailsTold(Told):
    """Rails that should be off in this state, and were not measured."""

    not_measured: Sequence[str] = ()


@dataclass
class DischargeTold(Told):
    """s until every rail was discharged, or the wait was over."""

    discharged_s: float = 0.0


@dataclass
class ProgramTold(Told):
    """A program that was run: command line, exit code (None: killed), s; bytes that it printed, and of their text what
    was kept, made visible; SHA-256 of what was flashed and of the other files that its command line names."""

    argv: Sequence[str] = ()
    exit: int | None = None
    seconds: float = 0.0
    output_bytes: int = 0
    output: str = ""
    flashed: Mapping[str, str] | None = None
    files: Mapping[str, str] | None = None


@dataclass
class WaitTold(Told):
    seconds: float = 0.0


@dataclass
class Notes(Told):
    """What any step may keep: nets without a point, what a person took again, the bench's own check before a supply's
    first full voltage, the supply's armed protections, the relays' counts, that only one polarity could be read; what
    was taken by a key against what the meter saw (reading -> in words), nets that read alike with reversed leads."""

    not_reached: Sequence[str] = ()
    taken_again: Sequence[Mapping[str, object]] = ()
    bench_check: Mapping[str, object] | None = None
    protection: str | None = None
    relay_counts: Mapping[str, int] | None = None
    one_polarity: bool = False
    by_key: Mapping[str, str] | None = None
    alike: Sequence[str] = ()

    def as_detail(self) -> dict[str, object]:
        """Only what there is."""
        return {name: value for name, value in super().as_detail().items() if value or value == ""}
