"""What `explain` and `review` found, in the words of a page. Both come as plain documents, or not at all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from wakeboard.results.counted import count
from wakeboard.results.report.text import and_list, fault_words, show

Document = Mapping[str, Any]


@dataclass(frozen=True)
class Candidate:
    """One explanation: `share` is its probability in percent, `fault` the text that other commands take."""

    words: str
    fault: str
    share: float
    accounts: tuple[str, ...]
    leaves: tuple[str, ...]

    @property
    def sure(self) -> str:
        """The probability as text, without false digits."""
        return "more than 99 %" if self.share > 99 else "less than 1 %" if self.share < 1 else f"{self.share:.0f} %"

    @property
    def says(self) -> str:
        """How many readings it accounts for and leaves."""
        if not self.accounts and not self.leaves:
            return ""
        words = f"accounts for {count(len(self.accounts), 'odd reading')}"
        return words + (f", leaves {len(self.leaves)}" if self.leaves else ", leaves none")


@dataclass(frozen=True)
class Fit:
    """A bodge resistor: its ohms, the window that works in the worst case (None: no upper end), and where it goes."""

    ohms: float
    low: float
    high: float | None
    where: str


@dataclass(frozen=True)
class LineFinding:
    """What a line is, its unknown pull, and the bodge for it."""

    line: str
    words: str
    bodge: str
    rework: str
    step: str
    arithmetic: tuple[str, ...]
    fit: Fit | None = None


@dataclass(frozen=True)
class Explanation:
    """Candidates (likeliest first), next measurements, lines that were taken apart."""

    candidates: tuple[Candidate, ...] = ()
    next: tuple[str, ...] = ()
    lines: tuple[LineFinding, ...] = ()
    given: bool = False
    repairs: tuple[str, ...] = ()

    @property
    def best(self) -> Candidate | None:
        """The likeliest candidate, where it is likelier than not."""
        return next((c for c in self.candidates[:1] if c.share > 50), None)

    @property
    def bodges(self) -> tuple[LineFinding, ...]:
        return tuple(line for line in self.lines if line.bodge)


def explanation(document: Document | None) -> Explanation:
    """The view of an `explain` document; an empty one for None."""
    if not document:
        return Explanation()
    return Explanation(
        tuple(_candidate(c) for c in document.get("candidates") or ()),
        tuple(_next(step) for step in document.get("next") or ()),
        tuple(_line(entry) for entry in document.get("lines") or () if _worth(entry)),
        given=True,
        repairs=tuple(str(each.get("does")) for each in document.get("repairs") or () if each.get("does")),
    )


def _candidate(entry: Document) -> Candidate:
    fault = str(entry.get("fault") or "none")
    words = str(entry.get("says") or "") or {"none": "nothing is wrong"}.get(fault) or fault_words(fault)
    texts = (tuple(str(text) for text in entry.get(key) or ()) for key in ("accounts_for", "leaves"))
    return Candidate(words, fault, 100 * float(entry.get("probability") or 0.0), *texts)


def _next(entry: Document) -> str:
    place = f" ({entry['place']})" if entry.get("place") else ""
    state = str(entry.get("state") or "")
    words = str(entry.get("says") or "")
    if not words:
        words = f"measure {entry.get('quantity', '')} at {entry.get('point', '')}{place}"
        words += f" with {state}" if state and state != "off" else ", nothing powered"
    bits = entry.get("bits")
    return words + (f" – worth {bits:.2g} bit" if isinstance(bits, int | float) else "")


def _worth(entry: Document) -> bool:
    return entry.get("kind") != "level" or bool(entry.get("bodge")) or entry.get("pull_ohms") is not None


def _line(entry: Document) -> LineFinding:
    bodge = entry.get("bodge") or {}
    return LineFinding(
        line=str(entry.get("line", "")),
        words=str(entry.get("says") or "") or _line_words(entry),
        bodge=_bodge(str(entry.get("line", "")), bodge) if bodge else "",
        rework=str(bodge.get("rework") or ""),
        step=str(bodge.get("step") or ""),
        arithmetic=tuple(str(t) for t in (*(entry.get("arithmetic") or ()), *(bodge.get("arithmetic") or ()))),
        fit=_fit(bodge),
    )


def _fit(bodge: Document) -> Fit | None:
    ohms, low, across = bodge.get("fit_ohms"), bodge.get("low_ohms"), bodge.get("across")
    if ohms is None or low is None:
        return None
    where = f"across {across}" if isinstance(across, str) and across else f"to {bodge['to']}" if bodge.get("to") else ""
    high = bodge.get("high_ohms")
    return Fit(float(ohms), float(low), None if high is None else float(high), where)


def _line_words(entry: Document) -> str:
    words = f"{entry.get('line')}: {entry.get('kind')}"
    if entry.get("source_volts") is not None:
        words += f", acts like {show(entry['source_volts'], 'V')} behind {show(entry.get('source_ohms'), 'Ω')}"
    if entry.get("pull_ohms") is not None:
        spread = entry.get("pull_ohms_u")
        near = f" ± {show(2 * spread, 'Ω', 2)}" if spread else ""
        words += f"; an unknown pull of {show(entry['pull_ohms'], 'Ω')}{near}"
        words += f" to {entry['pull_to']}" if entry.get("pull_to") else ""
    return words


def _bodge(line: str, bodge: Document) -> str:
    if bodge.get("says"):
        return str(bodge["says"])
    fit, across = bodge.get("fit_ohms"), bodge.get("across")
    if fit is None:
        return f"no resistor holds {line} and still lets its driver move it"
    words = f"fit {show(fit, 'Ω')} on {line}" + (f" to {bodge['to']}" if bodge.get("to") else "")
    if isinstance(across, str) and across:
        words += f", across {across}"
    elif isinstance(across, int | float):
        words += f" (or solder {show(float(across), 'Ω')} across the part that is there)"
    low, high = bodge.get("low_ohms"), bodge.get("high_ohms")
    window = f"from {show(low, 'Ω')}" + (f" to {show(high, 'Ω')}" if high is not None else " up")
    return f"{words}; anything {window} works in the worst case"


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
    for unit, document in documents.items():
        for entry in document.get("common") or ():
            text = str(entry.get("fault"))
            found.setdefault(_without_value(text), {}).update(dict.fromkeys(_strings(entry.get("units")), text))
        for text in _likeliest(document):
            found.setdefault(_without_value(text), {}).setdefault(unit, text)
    shared = [_shared(texts) for texts in found.values() if len(texts) > 1]
    return tuple(sorted(shared, key=lambda f: (-len(f.units), f.fault)))


def _without_value(fault: str) -> str:
    return fault.partition("=")[0]


def _likeliest(document: Document) -> tuple[str, ...]:
    """The faults of the likeliest explanation, where it is likelier than not."""
    best: Document = next(iter(document.get("candidates") or ()), {})
    return tuple(_strings(best.get("faults"))) if float(best.get("probability") or 0.0) > 0.5 else ()


def _shared(texts: Mapping[str, str]) -> SharedFault:
    fault = sorted(texts.values())[len(texts) // 2]
    return SharedFault(fault_words(fault), fault, tuple(sorted(texts)))


def shared_bodges(
    by_unit: Mapping[str, Explanation], others: Mapping[str, Sequence[str]] | None = None
) -> tuple[str, ...]:
    """What to fit, once for all units in which one resistor does: the value that one of them calls for and that lies in
    the window of each. `by_unit`: names of units as they are to be shown. `others`: line -> units whose own readings
    could not ask for it (a dead rail, a run that stopped) and that carry the same parts."""
    groups: dict[tuple[str, str], dict[str, LineFinding]] = {}
    alone: dict[str, None] = {}
    for unit, explained in by_unit.items():
        for line in explained.bodges:
            if line.fit is None:
                alone[f"{line.bodge}"] = None
            else:
                groups.setdefault((line.line, line.fit.where), {})[unit] = line
    told = [
        words + (_as_well((others or {}).get(line, ()), line) if len(found) > 1 else "")
        for (line, _), found in groups.items()
        for words in _one_for_all(found)
    ]
    return tuple(dict.fromkeys((*told, *alone)))


def _as_well(units: Sequence[str], line: str) -> str:
    if not units:
        return ""
    is_one = len(units) == 1
    return (
        f"; {'unit' if is_one else 'units'} {and_list(list(units))} {'carries' if is_one else 'carry'} the same parts: "
        f"once repaired, fit it there too and measure {line}"
    )


def _one_for_all(found: Mapping[str, LineFinding]) -> list[str]:
    """One line for units whose bodges are on one line and at one place; each its own where no value does for all."""
    fits = [line.fit for line in found.values() if line.fit is not None]
    first = next(iter(found.values()))
    low = max(fit.low for fit in fits)
    high = min((fit.high for fit in fits if fit.high is not None), default=None)
    common = [fit.ohms for fit in fits if fit.ohms >= low and (high is None or fit.ohms <= high)]
    if len(found) > 1 and len({line.bodge for line in found.values()}) == 1:
        return [f"{first.bodge} (in units {and_list(list(found))})"]
    if len(found) == 1 or not common:
        return [f"{line.bodge} (unit {unit})" if len(found) > 1 else line.bodge for unit, line in found.items()]
    ohms = min(common, key=lambda each: abs(each * each - low * (high or 10 * low)))
    window = f"from {show(low, 'Ω', 3)}" + (f" to {show(high, 'Ω', 3)}" if high is not None else " up")
    where = f" {fits[0].where}" if fits[0].where else ""
    return [
        f"solder {show(ohms, 'Ω')}{where} on {first.line} in units {and_list(list(found))}; "
        f"anything {window} works in each of them"
    ]


def merged(explanations: Sequence[Explanation]) -> Explanation:
    """The lines of several units in one: each line once, as the first unit that has a bodge for it shows it."""
    lines: dict[str, LineFinding] = {}
    for line in sorted((line for e in explanations for line in e.lines), key=lambda line: not line.bodge):
        lines.setdefault(line.line, line)
    return Explanation(lines=tuple(lines.values()), given=bool(explanations))


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
        nets=and_list(_strings(entry.get("nets"))),
        path=" → ".join(_strings(entry.get("path"))),
        state=str(entry.get("state") or ""),
        says=str(entry.get("says") or ""),
        do=str(entry.get("do") or ""),
    )


def _strings(found: object) -> list[str]:
    return [str(item) for item in found] if isinstance(found, Sequence) and not isinstance(found, str) else []
