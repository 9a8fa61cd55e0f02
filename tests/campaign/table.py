"""The campaign's table: fault, tries, worst time, lost, left on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from tests.campaign.faults import Try
from tests.campaign.judge import Verdict


@dataclass
class Row:
    """One kind of fault. worst: s from the fault to the last output off; on: tries that left an output on; told: where
    nothing was left that could reach the supply, and nobody claimed that it is off: exit code 6, or nobody lives."""

    fault: str
    tries: int = 0
    worst: float | None = None
    lost: int = 0
    doubled: int = 0
    wrong: int = 0
    replies: int = 0
    on: int = 0
    told: int = 0
    odd: int = 0
    findings: list[str] = field(default_factory=list)

    def add(self, tried: Try, verdict: Verdict) -> None:
        self.tries += 1
        self.lost += verdict.lost
        self.doubled += verdict.doubled
        self.wrong += verdict.wrong
        self.replies += verdict.replies
        if verdict.off_after is not None:
            self.worst = max(self.worst or 0.0, verdict.off_after)
        excused = tried.out_of_reach and verdict.told and not verdict.falsely
        if verdict.left_on:
            if excused:
                self.told += 1
            else:
                self.on += 1
        self.odd += verdict.odd or verdict.falsely
        if verdict.bad or (verdict.left_on and not excused):
            self.findings.append(f"{tried.what}: {verdict}")

    @property
    def good(self) -> bool:
        return not (self.lost or self.doubled or self.wrong or self.on or self.odd)

    def as_json(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in self.__slots__} if hasattr(self, "__slots__") else vars(self)


def merged(rows: Iterable[Row]) -> list[Row]:
    """Rows of the same fault as one, in the order in which they come first."""
    found: dict[str, Row] = {}
    for row in rows:
        into = found.setdefault(row.fault, Row(row.fault))
        for name in ("tries", "lost", "doubled", "wrong", "replies", "on", "told", "odd"):
            setattr(into, name, getattr(into, name) + getattr(row, name))
        if row.worst is not None:
            into.worst = max(into.worst or 0.0, row.worst)
        into.findings += row.findings
    return list(found.values())


HEAD = ("fault", "tries", "worst time", "lost", "doubled", "wrong replies", "wrong words", "left on", "out of reach")


def lines(rows: Iterable[Row]) -> list[str]:
    """As Markdown."""
    told = [HEAD, ("---", *["---:"] * (len(HEAD) - 1))]
    total = 0
    replies = 0
    for row in rows:
        worst = "-" if row.worst is None else f"{row.worst * 1e3:.0f} ms" if row.worst < 1 else f"{row.worst:.1f} s"
        wrong = f"{row.wrong} of {row.replies}"
        told.append(
            (
                row.fault,
                str(row.tries),
                worst,
                str(row.lost),
                str(row.doubled),
                wrong,
                str(row.odd),
                str(row.on),
                str(row.told),
            )
        )
        total += row.tries
        replies += row.replies
    text = ["| " + " | ".join(cells) + " |" for cells in told]
    return [*text, "", f"{total} runs, {replies} replies checked."]
