"""The production loop's own thoughts: which serial number is one, which unit is done, what the answer says.

Nothing here powers anything or asks anybody; `wakeboard smoke` does, with these.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from wakeboard.results.records import Reading, RunRecord, RunSummary, Step

LONGEST = 64  # characters of a serial number: a bar code holds fewer, and a slip of a scanner may send pages
BAD = ("fail", "tripped", "error", "marginal")
WORST_FIRST = ("tripped", "error", "fail", "marginal")

LARGE = {
    "pass": "PASS", "fail": "FAIL", "marginal": "MARGINAL", "tripped": "TRIPPED", "error": "BENCH ERROR",
    "skipped": "SKIPPED",
}  # fmt: skip

BY_OUTCOME = {
    "pass": "Take it off; next.",
    "skipped": "Nothing was judged: this unit is not tested.",
    "fail": "Set it aside for repair.",
    "marginal": "Too near the limit for this bench to tell: set it aside, or measure it with a better meter.",
    "tripped": "The guard cut the power. Do not power it again before the fault is found.",
    "error": "The bench failed; this says nothing of the unit. Mend the bench, then scan the unit again.",
}


class BadSerial(ValueError):
    """What was scanned is no serial number; the text says what is allowed."""


def serial_number(line: str, pattern: re.Pattern[str] | None = None) -> str:
    """The serial number in a scanned line. Raises BadSerial.

    pattern: what the whole of it must match; without one anything printable of up to 64 characters will do.
    """
    text = line.strip()
    if not text.isprintable() or len(text) > LONGEST:
        shown = text[:20].encode("unicode_escape").decode()
        raise BadSerial(f"{shown!r}… is no serial number: up to {LONGEST} printable characters in one line")
    if pattern is not None and not pattern.fullmatch(text):
        raise BadSerial(f'"{text}" is no serial number here: it must match "{pattern.pattern}"')
    return text


def passed_today(runs: Iterable[RunSummary], now: datetime.datetime | None = None) -> datetime.datetime | None:
    """When a unit last passed on this day, by the local clock; None where it did not. runs: of the unit, any order."""
    today = (now or datetime.datetime.now()).date()
    times = [datetime.datetime.fromtimestamp(run.started) for run in runs if run.outcome == "pass"]
    return max((each for each in times if each.date() == today), default=None)


@dataclass(frozen=True)
class Answer:
    """What the operator is told of a unit: the large word, where it failed, what was seen there, what to do."""

    large: str
    where: str = ""
    seen: Sequence[str] = ()
    do: str = ""


def answer(record: RunRecord) -> Answer:
    """The answer to a finished run."""
    outcome = record.outcome or "error"
    step = worst_step(record)
    if outcome in ("pass", "skipped") or step is None:
        seen = [record.says] if record.says and outcome != "pass" else []
        return Answer(LARGE.get(outcome, outcome.upper()), "", seen, BY_OUTCOME.get(outcome, ""))
    do = (_failed(step) if outcome == "fail" else "") or BY_OUTCOME.get(outcome, "")
    return Answer(LARGE.get(outcome, outcome.upper()), f"step {step.number}, {step.name}", _seen(step), do)


def _failed(step: Step) -> str:
    """What a kind of step says of a unit that fails it; "" where it says nothing."""
    from wakeboard.harness.describe.sequence.steps import step_kinds
    from wakeboard.harness.run.steps import _discharge

    if step.kind == _discharge.DONE:
        return _discharge.CHARGED
    found = step_kinds().get(step.kind)
    return found.failed if found is not None else ""


def worst_step(record: RunRecord) -> Step | None:
    """The first step with the outcome that decided the run."""
    for outcome in WORST_FIRST:
        for step in record.steps:
            if step.outcome == outcome:
                return step
    return None


def _seen(step: Step) -> list[str]:
    from wakeboard.harness.run.live import reading_text

    bad: list[Reading] = [reading for reading in step.readings if reading.outcome in BAD]
    told = [reading_text(reading) for reading in bad[:3]]
    if len(bad) > 3:
        told.append(f"and {len(bad) - 3} more")
    if step.says and (not told or step.outcome in ("tripped", "error")):
        told.append(step.says)
    return told


@dataclass
class Tally:
    """What happened since the loop began: (unit, outcome) in order, and how many lines were no serial number."""

    runs: list[tuple[str, str]] = field(default_factory=list)
    refused: int = 0
    again: int = 0  # units that were not run since they had passed today

    def add(self, unit: str, outcome: str) -> None:
        self.runs.append((unit, outcome))

    @property
    def failed(self) -> bool:
        return any(outcome in ("fail", "marginal", "tripped") for _, outcome in self.runs)

    @property
    def errors(self) -> int:
        return sum(outcome == "error" for _, outcome in self.runs)

    def as_json(self) -> dict[str, object]:
        from wakeboard.results.statistics.yields import yields

        found = yields(self.runs)
        return {
            "runs": len(self.runs),
            "units": found.first_pass.total,
            "refused": self.refused,
            "passed_before": self.again,
            "bench_errors": self.errors,
            "first_pass": _proportion(found.first_pass),
            "final": _proportion(found.final),
            "says": self.says(),
        }

    def says(self) -> str:
        """First-pass yield with its interval, and the final one where it differs."""
        from wakeboard.results.statistics.yields import yields

        found = yields(self.runs)
        text = f"first pass: {found.first_pass.says}"
        if found.final.passed != found.first_pass.passed:
            text += f"; after repeats {found.final.passed} of {found.final.total}"
        return text


def _proportion(found: Any) -> dict[str, object]:
    return {"passed": found.passed, "total": found.total, "share": found.share, "low": found.low, "high": found.high}
