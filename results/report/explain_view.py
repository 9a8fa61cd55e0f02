"""What `explain` and `review` found, in the words of a page. Both come as plain documents, or not at all."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from wakeboard.results.counted import count
from wakeboard.results.explanation import (
    Bodge,
    Document,
    ExplanationDocument,
    FoundLine,
    Group,
    NextMeasurement,
    Repair,
    texts,
)
from wakeboard.results.report.text import and_list, fault_words, show


@dataclass(frozen=True)
class Cause:
    """A group of an explanation as a page tells it."""

    group: Group

    @property
    def fault(self) -> str:
        """The text that other commands take."""
        return self.group.name

    @property
    def words(self) -> str:
        return self.group.says or {"none": "nothing is wrong"}.get(self.fault) or fault_words(self.fault)

    @property
    def share(self) -> float:
        """Its probability in percent."""
        return 100 * self.group.probability

    @property
    def sure(self) -> str:
        """The probability as text, without false digits."""
        return "more than 99 %" if self.share > 99 else "less than 1 %" if self.share < 1 else f"{self.share:.0f} %"

    @property
    def leaves(self) -> tuple[str, ...]:
        return self.group.leaves

    @property
    def says(self) -> str:
        """How many readings it accounts for and leaves."""
        if not self.group.accounts_for and not self.leaves:
            return ""
        words = f"accounts for {count(len(self.group.accounts_for), 'odd reading')}"
        return words + (f", leaves {len(self.leaves)}" if self.leaves else ", leaves none")


@dataclass(frozen=True)
class LineWords:
    """What a line is, its unknown pull, and the bodge for it, as a page tells them."""

    found: FoundLine
    unit: str = ""

    @property
    def line(self) -> str:
        return self.found.line

    @property
    def words(self) -> str:
        return self.found.says or _line_words(self.found)

    @property
    def bodge(self) -> str:
        return _bodge_words(self.found.bodge) if self.found.bodge else ""

    @property
    def rework(self) -> str:
        return (self.found.bodge and self.found.bodge.rework) or ""

    @property
    def step(self) -> str:
        return (self.found.bodge and self.found.bodge.step) or ""

    @property
    def arithmetic(self) -> tuple[str, ...]:
        return (*self.found.arithmetic, *(self.found.bodge.arithmetic if self.found.bodge else ()))

    @property
    def fit(self) -> Bodge | None:
        """The bodge, where there is a resistor to fit."""
        return self.found.bodge if self.found.bodge and self.found.bodge.fit_ohms is not None else None


@dataclass(frozen=True)
class ExplanationView:
    """Causes (likeliest first), next measurements, lines that were taken apart, what to repair; in_time: what
    the times of a start-up say, a heading and sentences each; given: whether anybody asked."""

    candidates: tuple[Cause, ...] = ()
    next: tuple[str, ...] = ()
    lines: tuple[LineWords, ...] = ()
    given: bool = False
    repairs: tuple[Repair, ...] = ()
    in_time: tuple[tuple[str, ...], ...] = ()

    @property
    def best(self) -> Cause | None:
        """The likeliest cause, where it is likelier than not."""
        return next((c for c in self.candidates[:1] if c.share > 50), None)

    @property
    def bodges(self) -> tuple[LineWords, ...]:
        return tuple(line for line in self.lines if line.bodge)


def explanation(document: Document | None) -> ExplanationView:
    """The view of an `explain` document; an empty one for None."""
    if not document:
        return ExplanationView()
    told = ExplanationDocument.of(document)
    return ExplanationView(
        tuple(map(Cause, told.groups)),
        tuple(map(_next_words, told.next)),
        tuple(LineWords(line) for line in told.lines if line.kind != "level" or line.bodge or line.pull_ohms),
        given=True,
        repairs=tuple(each for each in told.repairs if each.does),
        in_time=tuple(says for each in told.in_time if (says := texts(each.get("says")))),
    )


def _next_words(step: NextMeasurement) -> str:
    words = step.does
    if not words:
        words = f"measure {step.quantity} at {step.point}"
        words += f" with {step.state}" if step.state and step.state != "off" else ", nothing powered"
    return words + (f" – worth {step.bits:.2g} bit" if step.bits is not None else "")


def _line_words(line: FoundLine) -> str:
    words = f"{line.line}: {line.kind}"
    if line.source_volts is not None:
        words += f", acts like {show(line.source_volts, 'V')} behind {show(line.source_ohms, 'Ω')}"
    if line.pull_ohms is not None:
        near = f" ± {show(2 * line.pull_ohms_u, 'Ω', 2)}" if line.pull_ohms_u else ""
        words += f"; an unknown pull of {show(line.pull_ohms, 'Ω')}{near}"
        words += f" to {line.pull_to}" if line.pull_to else ""
    return words


def bodge_where(bodge: Bodge) -> str:
    return f"across {bodge.across}" if bodge.across else f"to {bodge.to}" if bodge.to else ""


def _bodge_words(bodge: Bodge) -> str:
    if bodge.says:
        return bodge.says
    if bodge.fit_ohms is None:
        return f"no resistor holds {bodge.line} and still lets its driver move it"
    words = f"fit {show(bodge.fit_ohms, 'Ω')} on {bodge.line}" + (f" to {bodge.to}" if bodge.to else "")
    words += f", across {bodge.across}" if bodge.across else ""
    return f"{words}; anything {_window(bodge.low_ohms, bodge.high_ohms, 4)} works in the worst case"


def _window(low: float, high: float, digits: int = 3) -> str:
    return f"from {show(low, 'Ω', digits)}" + (" up" if math.isinf(high) else f" to {show(high, 'Ω', digits)}")


@dataclass(frozen=True)
class SharedFault:
    """A fault that the explanations of several units have in common."""

    words: str
    fault: str
    units: tuple[str, ...]


def shared_faults(documents: Mapping[str, Document]) -> tuple[SharedFault, ...]:
    """What the documents of several units call common, and what the likeliest explanation of several has in it; most
    shared first. A fitted value (13k, 13.5k) makes no other fault: the middle one is shown."""
    found: dict[str, dict[str, str]] = {}  # fault without its value -> unit -> fault
    says: dict[str, str] = {}  # fault -> the clause in which its explanation tells it
    for unit, document in documents.items():
        told = ExplanationDocument.of(document)
        for each in told.common:
            found.setdefault(_without_value(each.fault), {}).update(dict.fromkeys(each.units, each.fault))
        says |= _clauses(told)
        for text in told.best.faults if told.best and told.best.probability > 0.5 else ():
            found.setdefault(_without_value(text), {}).setdefault(unit, text)
    shared = [_shared(by_unit, says) for by_unit in found.values() if len(by_unit) > 1]
    return tuple(sorted(shared, key=lambda f: (-len(f.units), f.fault)))


def _without_value(fault: str) -> str:
    return fault.partition("=")[0]


def _clauses(told: ExplanationDocument) -> dict[str, str]:
    """Fault -> its clause, where the likeliest explanation has one for each."""
    parts = told.best.says.split(", and ") if told.best and told.best.says else []
    return dict(zip(told.best.faults, parts, strict=True)) if told.best and len(parts) == len(told.best.faults) else {}


def _shared(by_unit: Mapping[str, str], says: Mapping[str, str]) -> SharedFault:
    fault = sorted(by_unit.values())[len(by_unit) // 2]
    return SharedFault(says.get(fault) or fault_words(fault), fault, tuple(sorted(by_unit)))


@dataclass(frozen=True)
class SharedBodge:
    """One resistor for all units in which it does.

    ohms: None where none does (`text` tells why); where: "across R31"; window: what else does, in words; others: units
    that carry the same parts and whose own readings could not ask for it (a dead rail, a run that stopped); rework: in
    the language of faults; hold: "low" or "high"; amps: most that its driver carries (A); after: (least, nominal,
    most) volts of the line with it.
    """

    text: str
    line: str = ""
    where: str = ""
    window: str = ""
    ohms: float | None = None
    units: tuple[str, ...] = ()
    others: tuple[str, ...] = ()
    rework: str = ""
    hold: str = "low"
    amps: float = 0.0
    after: tuple[float, ...] = ()


def shared_bodges(
    by_unit: Mapping[str, ExplanationView], others: Mapping[str, Sequence[str]] | None = None
) -> tuple[SharedBodge, ...]:
    """What to fit, once for all units in which one resistor does: the value that one of them calls for and that lies in
    the window of each. `by_unit`: names of units as they are to be shown. `others`: line -> units that carry the same
    parts and could not ask."""
    groups: dict[tuple[str, str], dict[str, LineWords]] = {}
    alone: dict[str, list[str]] = {}
    for unit, explained in by_unit.items():
        for line in explained.bodges:
            if line.fit is None:
                alone.setdefault(line.bodge, []).append(unit)
            else:
                groups.setdefault((line.line, bodge_where(line.fit)), {})[unit] = line
    told = []
    for (name, _), found in groups.items():
        carry = tuple((others or {}).get(name, ())) if len(found) > 1 else ()
        told += [replace(bodge, others=carry) for bodge in _one_for_all(found)]
    return (*told, *(SharedBodge(text, units=tuple(units)) for text, units in alone.items()))


def _one_for_all(found: Mapping[str, LineWords]) -> list[SharedBodge]:
    """One for units whose bodges are on one line and at one place; each its own where no value does for all."""
    fits = [line.fit for line in found.values() if line.fit is not None]
    low, high = max(fit.low_ohms for fit in fits), min(fit.high_ohms for fit in fits)
    common = [fit for fit in fits if fit.fit_ohms is not None and low <= fit.fit_ohms <= high]
    if len(found) > 1 and not common:
        return [
            replace(_bodge([unit], line, line.fit), text=f"{line.bodge} (unit {unit})")
            for unit, line in found.items()
            if line.fit is not None
        ]
    first = next(iter(found.values()))
    aim = low * (10 * low if math.isinf(high) else high)
    fit = min(common or fits, key=lambda each: abs((each.fit_ohms or 0.0) ** 2 - aim))
    told = _bodge(list(found), first, fit)
    if len({line.bodge for line in found.values()}) == 1:
        return [replace(told, text=first.bodge + (f" (in units {and_list(list(found))})" if len(found) > 1 else ""))]
    window = f"anything {_window(low, high)} works"
    reads = sorted(v for each in fits if each.fit_ohms == fit.fit_ohms for v in each.after_volts)
    told = replace(told, window=f"{window} in the worst case of each of them", after=tuple(reads))
    ohms = show(fit.fit_ohms, "Ω")
    where = f" {told.where}" if told.where else ""
    return [
        replace(
            told,
            text=f"solder {ohms}{where} on {first.line} in units {and_list(list(found))}; {window} in each of them",
        )
    ]


def _bodge(units: Sequence[str], line: LineWords, fit: Bodge) -> SharedBodge:
    window = f"anything {_window(fit.low_ohms, fit.high_ohms)} works"
    return SharedBodge(
        "", line.line, bodge_where(fit), window, fit.fit_ohms, tuple(units), rework=fit.rework or "", hold=fit.hold,
        amps=fit.driver_amps, after=fit.after_volts,
    )  # fmt: skip


def merged(explanations: Mapping[str, ExplanationView]) -> ExplanationView:
    """The lines of several units in one: each line once, as the first unit that has a bodge for it shows it."""
    lines: dict[str, LineWords] = {}
    every = (replace(line, unit=unit) for unit, each in explanations.items() for line in each.lines)
    for line in sorted(every, key=lambda line: not line.bodge):
        lines.setdefault(line.line, line)
    return ExplanationView(lines=tuple(lines.values()), given=bool(explanations))


@dataclass(frozen=True)
class Concern:
    """One concern of a review."""

    rule: str
    serious: bool
    nets: str
    path: str
    state: str
    says: str
    do: str


def concerns(document: Document | None) -> tuple[Concern, ...]:
    """The concerns of a `review` document, serious ones first."""
    found = [_concern(entry) for entry in (document or {}).get("concerns") or ()]
    return tuple(sorted(found, key=lambda c: not c.serious))


def _concern(entry: Document) -> Concern:
    return Concern(
        rule=str(entry.get("rule", "")).replace("-", " "),
        serious=bool(entry.get("serious")),
        nets=and_list(list(texts(entry.get("nets")))),
        path=" → ".join(texts(entry.get("path"))),
        state=str(entry.get("state") or ""),
        says=str(entry.get("says") or ""),
        do=str(entry.get("do") or ""),
    )
