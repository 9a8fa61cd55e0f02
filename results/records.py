"""What lasts of a run, as plain frozen records: no database, no instrument, nothing heavy to import.

The runner makes these, the store keeps them, reports and comparisons read them. All numbers are in base units
(V, A, Ω, s, Hz, B/s). Times inside a run (`Reading.time`, `Step.started`, `Step.ended`, `Trace`, `Exchange`) are
seconds on the bench's own clock counted from the start of the run, so that a virtual run and a real one read alike;
`RunRecord.started` and `.ended` are wall-clock seconds since 1970-01-01 UTC.

Names are those of the board file: `Reading.of` is a net (preferred), point, line, rail or supply; `Reading.state` is
the canonical text of the bench state in which it was taken ("USB=5V@120mA; U1.GPIO7=low").
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

ASKED: Final = "Asked by explain"
"""Title of a run that was made of measurements that an explanation asked for: they belong to the run that it explains,
so neither yields nor comparisons count it."""
LIMITS_FROM: Final = {"step": "from the step", "board": "from the board file", "circuit": "from the circuit"}
STOPPED_SAYS: Final = "stopped by the operator"
BROKEN_OFF: Final = re.compile(r"(^|; )(stopped(,|:| at:?| after| before) |broken off by Ctrl-C)")
"""A person's stop among the remarks of the step that it broke off."""
OUTCOMES: Final = ("pass", "fail", "marginal", "skipped", "tripped", "error")


@dataclass(frozen=True, slots=True)
class Reading:
    """One value with what is needed to judge it again later.

    `value` is None where there is no number: a text reading (quantity "text", the text in `says`), an overload or a
    skipped reading; a value that is not finite is kept as None. `u` is the standard uncertainty (not expanded). `low`
    and `high` are the limits it was held against, None where that side is open; `limits_from` says whose they are:
    "step", "board", "circuit" or "".
    """

    of: str
    quantity: str
    value: float | None
    unit: str
    u: float | None = None
    low: float | None = None
    high: float | None = None
    outcome: str = "pass"
    state: str = ""
    instrument: str = ""
    range: float | None = None
    time: float = 0.0
    limits_from: str = ""
    says: str = ""

    @property
    def word(self) -> str:
        """The outcome for a person: "read" where a number was held against nothing."""
        judged = self.low is not None or self.high is not None or self.quantity == "text"
        return self.outcome if judged or self.outcome != "pass" else "read"

    def as_json(self) -> dict[str, object]:
        """The keys scripts rely on first, then the rest."""
        return {
            "of": self.of,
            "quantity": self.quantity,
            "value": self.value,
            "unit": self.unit,
            "u": self.u,
            "low": self.low,
            "high": self.high,
            "outcome": self.outcome,
            "state": self.state,
            "instrument": self.instrument,
            "range": self.range,
            "time": self.time,
            "limits_from": self.limits_from,
            "says": self.says,
        }


class Exchange(NamedTuple):
    """One line of an instrument's traffic: ">" sent, "<" received, "!" a note of the link itself."""

    time: float
    instrument: str
    direction: str
    text: str


@dataclass(frozen=True, slots=True)
class SupplyTrace:
    """What the guard saw of one supply; five columns of equal length (s, V, A, A, "cv"/"cc"/"off"/…)."""

    times: Sequence[float]
    volts: Sequence[float]
    amps: Sequence[float]
    limit: Sequence[float]
    mode: Sequence[str]


@dataclass(frozen=True, slots=True)
class Trace:
    """The guard's samples while a step ran, by supply name."""

    supplies: Mapping[str, SupplyTrace] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Step:
    """One step as it ended. `number` counts from 1 and, with the run's id, is the step's identity: committing the same
    step twice is harmless. `detail` is what the step kind wants to keep, JSON types only. `traffic` rows are
    (time, instrument, direction, text)."""

    number: int
    name: str
    kind: str
    outcome: str
    started: float
    ended: float
    readings: Sequence[Reading] = ()
    says: str = ""
    detail: Mapping[str, Any] = field(default_factory=dict)
    trace: Trace | None = None
    traffic: Sequence[tuple[float, str, str, str]] = ()

    @property
    def word(self) -> str:
        """The outcome, for a person: "stopped" where a person's stop broke it off, which is no failure."""
        return "stopped" if self.outcome == "error" and BROKEN_OFF.search(self.says) else self.outcome

    def as_json(self) -> dict[str, object]:
        return {
            "number": self.number,
            "name": self.name,
            "kind": self.kind,
            "outcome": self.outcome,
            "started": self.started,
            "ended": self.ended,
            "says": self.says,
            "detail": dict(self.detail),
            "readings": [reading.as_json() for reading in self.readings],
        }


@dataclass(frozen=True, slots=True)
class InstrumentUsed:
    """An instrument as it identified itself; calibration dates are ISO texts from the bench file."""

    name: str
    kind: str
    maker: str = ""
    model: str = ""
    serial: str = ""
    firmware: str = ""
    address: str = ""
    dialect: str = ""
    calibrated: str | None = None
    calibration_due: str | None = None


@dataclass(frozen=True, slots=True)
class RunStart:
    """All that is known when a run begins. The three files are kept whole, by hash; `plants` are fault texts planted in
    the virtual board. The rework in force is not given here: the store takes it from the ledger."""

    unit: str
    board_name: str
    revision: str
    board_text: str
    sequence_title: str
    sequence_text: str
    bench_text: str = ""
    operator: str = ""
    software: str = ""
    host: str = ""
    plants: Sequence[str] = ()
    instruments: Sequence[InstrumentUsed] = ()
    virtual: bool = False


@dataclass(frozen=True, slots=True)
class Trip:
    """What made the guard cut the power: the rule, in which step, on which supply, at what V and A."""

    rule: str
    step: int
    supply: str
    volts: float | None
    amps: float | None

    def as_json(self) -> dict[str, object]:
        return {"rule": self.rule, "step": self.step, "supply": self.supply, "volts": self.volts, "amps": self.amps}


@dataclass(frozen=True, slots=True)
class Rework:
    """What was done to a unit, and the fault texts that tell the circuit of it. `number` is counted per unit from 1;
    `undone_at` is set where a later row took it back."""

    text: str
    faults: Sequence[str] = ()
    number: int = 0
    at: float = 0.0
    by: str = ""
    uuid: str = ""
    undone_at: float | None = None


@dataclass(frozen=True, slots=True)
class RunRecord:
    """A run as the store gives it back, with all its steps.

    `outcome` is None while the run has no end; `alive`: whether the process that makes it still runs, as far as this
    computer can tell. `abandoned` is true where the process died and a later start marked the
    run; its outcome is then "error" and `outputs_off` is None (unknown).
    """

    id: str
    start: RunStart
    started: float
    ended: float | None = None
    outcome: str | None = None
    outputs_off: bool | None = None
    energised_s: float | None = None
    trip: Trip | None = None
    abandoned: bool = False
    alive: bool = True
    says: str = ""
    steps: Sequence[Step] = ()
    rework: Sequence[Rework] = ()
    hashes: Mapping[str, str] = field(default_factory=dict)

    @property
    def unit(self) -> str:
        return self.start.unit

    @property
    def word(self) -> str:
        """How it ended: the outcome, or "stopped" where it is a person's stop and no failure of the bench; "" where it
        has not ended. The one thing to show or to hand out; `outcome` is what the store keeps."""
        return ended_as(self.outcome, self.says)

    @property
    def board(self) -> str:
        return self.start.board_name

    @property
    def revision(self) -> str:
        return self.start.revision

    @property
    def sequence(self) -> str:
        return self.start.sequence_title

    def readings(self) -> list[tuple[Step, Reading]]:
        """All readings in the order they were taken, each with its step."""
        return [(step, reading) for step in self.steps for reading in step.readings]

    def as_json(self) -> dict[str, object]:
        """The document of `wakeboard run --json`."""
        return {
            "run": self.id,
            "unit": self.unit,
            "board": self.board,
            "revision": self.revision,
            "sequence": self.sequence,
            "outcome": self.word or None,
            "outputs_off": self.outputs_off,
            "energised_s": self.energised_s,
            "trip": self.trip.as_json() if self.trip else None,
            "abandoned": self.abandoned,
            "says": self.says,
            "started": self.started,
            "ended": self.ended,
            "operator": self.start.operator,
            "software": self.start.software,
            "host": self.start.host,
            "virtual": self.start.virtual,
            "plants": list(self.start.plants),
            "rework": [{"text": r.text, "faults": list(r.faults)} for r in self.rework],
            "hashes": dict(self.hashes),
            "steps": [step.as_json() for step in self.steps],
        }


@dataclass(frozen=True, slots=True)
class RunSummary:
    """One line of a list of runs."""

    id: str
    unit: str
    board: str
    revision: str
    sequence: str
    started: float
    ended: float | None
    outcome: str | None
    abandoned: bool
    virtual: bool
    says: str = ""

    @property
    def word(self) -> str:
        """As RunRecord's."""
        return ended_as(self.outcome, self.says)


def ended_as(outcome: str | None, says: str | None) -> str:
    """The outcome of a run; "stopped" where a person has ended it, which the store keeps as an error."""
    return "stopped" if outcome == "error" and (says or "").startswith(STOPPED_SAYS) else outcome or ""
