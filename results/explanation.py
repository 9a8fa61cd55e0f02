"""What an explanation is, said once: harness/explain makes it, `explain --json` writes it, reports read it again.

    found = ExplanationDocument.of(document)     what `wakeboard explain --json` says, or part of it
    found.groups[0].name                         "U5.NRST:pull_up=13k"
    found.as_json() == document                  where the document was whole

Numbers are in base units; None where something is not known, or has no end.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

Document = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Way:
    """What would tell faults apart. does: an instruction; effort: 1 = to touch one more point; parts: these."""

    does: str
    effort: float
    parts: tuple[str, ...]

    @classmethod
    def of(cls, document: Document) -> Way:
        return cls(str(document.get("does", "")), float(document.get("effort") or 0.0), texts(document.get("parts")))

    def as_json(self) -> dict[str, object]:
        return {"does": self.does, "effort": self.effort, "parts": list(self.parts)}


@dataclass(frozen=True)
class Group:
    """Explanations that these readings cannot tell apart, likeliest first.

    name: the faults of the likeliest as one text, "none" for a board as drawn; faults: each by itself (empty for none,
    and for something else); same: the other members' texts with their shares. accounts_for: odd readings that it
    explains; leaves: readings that it does not. common: its faults that most units share. u: relative standard
    uncertainties of the fitted values; between: the ends of their 95 % intervals, where they were looked for; ends: the
    same in words. bench: what a reference unit shows as well, which is why the bench is blamed for it. ways: what would
    part these. Not in the document: either: for each of `faults` all that may be there in its stead, with
    their shares of this group; place: the number of its likeliest candidate in the weighing.
    """

    name: str
    probability: float
    faults: tuple[str, ...]
    says: str
    accounts_for: tuple[str, ...] = ()
    leaves: tuple[str, ...] = ()
    same: tuple[tuple[str, float], ...] = ()
    common: tuple[str, ...] = ()
    u: tuple[float, ...] = ()
    between: tuple[tuple[float, float], ...] = ()
    ends: str = ""
    bench: tuple[str, ...] = ()
    either: tuple[tuple[tuple[str, float], ...], ...] = ()
    ways: tuple[Way, ...] = ()
    place: int | None = None

    @classmethod
    def of(cls, document: Document) -> Group:
        return cls(
            str(document.get("fault") or "none"), float(document.get("probability") or 0.0),
            texts(document.get("faults")), str(document.get("says") or ""), texts(document.get("accounts_for")),
            texts(document.get("leaves")),
            tuple((str(each["fault"]), float(each["probability"])) for each in document.get("same") or ()),
            common=texts(document.get("common")), u=tuple(document.get("u_relative") or ()),
            between=tuple((float(low), float(high)) for low, high in document.get("between") or ()),
            ends=str(document.get("ends") or ""), bench=texts(document.get("bench")),
            ways=tuple(Way.of(each) for each in document.get("ways") or ()),
        )  # fmt: skip

    def as_json(self) -> dict[str, Any]:
        return {
            "fault": self.name, "probability": self.probability, "accounts_for": list(self.accounts_for),
            "leaves": list(self.leaves), "faults": list(self.faults), "says": self.says,
            "same": [{"fault": fault, "probability": p} for fault, p in self.same], "common": list(self.common),
            "u_relative": list(self.u), "between": [list(ends) for ends in self.between],
            "ends": self.ends, "bench": list(self.bench),
            "ways": [way.as_json() for way in self.ways],
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Repair:
    """cause: the fault that it mends; does: what to do; done: the note once it is done; fault: its meaning.

    share: how likely it is this cause, where several could be it; then `does` says so, and what it is to be told from
    stands in the explanation.
    """

    cause: str
    does: str
    done: str
    fault: str
    share: float = 1.0

    @classmethod
    def of(cls, document: Document) -> Repair:
        cause, does, done, fault = (str(document.get(key) or "") for key in ("cause", "does", "note", "rework"))
        return cls(cause, does, done, fault, float(document.get("share", 1.0)))

    def as_json(self) -> dict[str, Any]:
        told = {"cause": self.cause, "does": self.does, "note": self.done, "rework": self.fault}
        return told if self.share == 1.0 else {**told, "share": self.share}


@dataclass(frozen=True, slots=True, kw_only=True)
class Bodge:
    """The window low_ohms..high_ohms of the resistor to add between `line` and the net `to`, and the value to fit.

    `fit_ohms` is None where the window is empty (`says` tells why). `across`: the fitted part it is soldered across;
    `replace_ohms`: what to fit instead of that part. `after_volts`: (least, nominal, most) that the line will read.
    rework: the bodge in the language of faults; step: a step (TOML) that checks the line afterwards.
    """

    line: str
    hold: Literal["low", "high"]
    to: str
    low_ohms: float
    high_ohms: float
    fit_ohms: float | None
    across: str | None
    replace_ohms: float | None
    watts: float
    driver_amps: float
    after_volts: tuple[float, ...]
    says: str
    arithmetic: tuple[str, ...] = ()
    rework: str | None = None
    step: str | None = None

    @classmethod
    def of(cls, line: str, document: Document) -> Bodge:
        high = document.get("high_ohms")
        return cls(
            line=line, hold="high" if document.get("hold") == "high" else "low", to=str(document.get("to") or ""),
            low_ohms=float(document.get("low_ohms") or 0.0), high_ohms=math.inf if high is None else float(high),
            fit_ohms=document.get("fit_ohms"), across=document.get("across"),
            replace_ohms=document.get("replace_ohms"), watts=float(document.get("watts") or 0.0),
            driver_amps=float(document.get("driver_amps") or 0.0),
            after_volts=tuple(document.get("after_volts") or ()), says=str(document.get("says") or ""),
            arithmetic=texts(document.get("arithmetic")), rework=document.get("rework"), step=document.get("step"),
        )  # fmt: skip

    def as_json(self) -> dict[str, object]:
        return {
            "low_ohms": self.low_ohms, "high_ohms": finite(self.high_ohms), "fit_ohms": self.fit_ohms,
            "across": self.across, "replace_ohms": self.replace_ohms, "to": self.to, "hold": self.hold,
            "watts": self.watts, "driver_amps": self.driver_amps, "after_volts": list(self.after_volts),
            "rework": self.rework, "step": self.step, "says": self.says, "arithmetic": list(self.arithmetic),
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class PossiblePull:
    """An unknown pull that would account for a line. to: "" where it is not known."""

    to: str
    ohms: float | None
    amps: float | None
    probability: float

    @classmethod
    def of(cls, document: Document) -> PossiblePull:
        return cls(
            str(document.get("to") or ""), document.get("ohms"), document.get("amps"),
            float(document.get("probability") or 0.0),
        )  # fmt: skip

    def as_json(self) -> dict[str, object]:
        return {"to": self.to or None, "ohms": self.ohms, "amps": self.amps, "probability": self.probability}


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundLine:
    """What a line that sits where it should not is: the source behind it, its unknown pull with the ends of its
    interval, the duty, frequency and AC of one that toggles; the bodge that mends it (None: `why` says)."""

    line: str
    kind: str
    level: str = ""
    says: str = ""
    state: str = ""
    source_volts: float | None = None
    source_ohms: float | None = None
    pull_ohms: float | None = None
    pull_ohms_u: float | None = None
    pull_ohms_low: float | None = None
    pull_ohms_high: float | None = None
    pull_to: str | None = None
    candidates: tuple[PossiblePull, ...] = ()
    duty: float | None = None
    hertz: float | None = None
    toggling_ac: float | None = None
    arithmetic: tuple[str, ...] = ()
    bodge: Bodge | None = None
    why: str = ""

    @classmethod
    def of(cls, document: Document) -> FoundLine:
        plain = {key: document[key] for key in _PLAIN if document.get(key) is not None}
        line, bodge = str(document.get("line", "")), document.get("bodge")
        return cls(
            line=line, kind=str(document.get("kind", "")), **plain,
            candidates=tuple(PossiblePull.of(each) for each in document.get("candidates") or ()),
            arithmetic=texts(document.get("arithmetic")), bodge=Bodge.of(line, bodge) if bodge else None,
        )  # fmt: skip

    def as_json(self) -> dict[str, object]:
        return {
            "line": self.line, "kind": self.kind, **{key: getattr(self, key) for key in _PLAIN},
            "candidates": [each.as_json() for each in self.candidates], "arithmetic": list(self.arithmetic),
            "bodge": self.bodge.as_json() if self.bodge else None,
        }  # fmt: skip


_PLAIN = (
    "level", "state", "says", "source_volts", "source_ohms", "pull_ohms", "pull_ohms_u", "pull_ohms_low",
    "pull_ohms_high", "pull_to", "duty", "hertz", "toggling_ac", "why",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class NextMeasurement:
    """A measurement worth making: where, what, in which bench state; the bits that it is expected to give, its effort
    and what is expected ahead from it on; does: it in words."""

    point: str
    quantity: str
    state: str = ""
    bits: float | None = None
    effort: float = 0.0
    ahead: float = 0.0
    does: str = ""

    @classmethod
    def of(cls, document: Document) -> NextMeasurement:
        plain = {key: document[key] for key in ("bits", "effort", "ahead", "does") if document.get(key) is not None}
        point, quantity, state = (str(document.get(key) or "") for key in ("point", "quantity", "state"))
        return cls(point, quantity, state, **plain)

    def as_json(self) -> dict[str, object]:
        return {
            "point": self.point, "quantity": self.quantity, "state": self.state, "bits": self.bits,
            "effort": self.effort, "ahead": self.ahead, "does": self.does,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class CommonFault:
    """A fault that several units share."""

    fault: str
    units: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class ExplanationDocument:
    """The answer. `groups` likeliest first; `odd`: readings that the drawn board does not predict; `as_drawn`: readings
    outside their limits that the drawn board itself gives (a flaw of the design, no fault of the unit); `readings`: how
    many there were; `model`: how well the model fits (None: there is no circuit); `bits`: doubt that is left."""

    run: str = ""
    unit: str = ""
    board: str = ""
    groups: tuple[Group, ...] = ()
    next: tuple[NextMeasurement, ...] = ()
    lines: tuple[FoundLine, ...] = ()
    repairs: tuple[Repair, ...] = ()
    odd: tuple[str, ...] = ()
    as_drawn: tuple[str, ...] = ()
    readings: int = 0
    common: tuple[CommonFault, ...] = ()
    notes: tuple[str, ...] = ()
    arithmetic: tuple[str, ...] = ()
    seconds: float = 0.0
    bits: float = 0.0
    model: Document | None = None
    in_time: tuple[Document, ...] = ()
    """One for each start-up with a time outside its limits: `says` has it in sentences, the first of them a heading."""

    @property
    def best(self) -> Group | None:
        return self.groups[0] if self.groups else None

    @classmethod
    def of(cls, document: Document) -> ExplanationDocument:
        """A document, whole or in part."""
        run, unit, board = (str(document.get(key) or "") for key in ("run", "unit", "board"))
        return cls(
            run=run, unit=unit, board=board,
            groups=tuple(Group.of(each) for each in document.get("candidates") or ()),
            next=tuple(NextMeasurement.of(each) for each in document.get("next") or ()),
            lines=tuple(FoundLine.of(each) for each in document.get("lines") or ()),
            repairs=tuple(Repair.of(each) for each in document.get("repairs") or ()),
            odd=texts(document.get("odd")), as_drawn=texts(document.get("as_drawn")),
            readings=int(document.get("readings") or 0),
            common=tuple(
                CommonFault(str(c.get("fault")), texts(c.get("units"))) for c in document.get("common") or ()
            ),
            notes=texts(document.get("notes")), arithmetic=texts(document.get("arithmetic")),
            seconds=float(document.get("seconds") or 0.0), bits=float(document.get("bits") or 0.0),
            model=document.get("model"), in_time=tuple(document.get("in_time") or ()),
        )  # fmt: skip

    def as_json(self) -> dict[str, object]:
        """The document of `wakeboard explain --json`."""
        return {
            "run": self.run, "unit": self.unit, "board": self.board,
            "candidates": [each.as_json() for each in self.groups], "next": [each.as_json() for each in self.next],
            "lines": [each.as_json() for each in self.lines], "repairs": [each.as_json() for each in self.repairs],
            "odd": list(self.odd), "as_drawn": list(self.as_drawn), "readings": self.readings,
            "common": [{"fault": each.fault, "units": list(each.units)} for each in self.common],
            "notes": list(self.notes), "arithmetic": list(self.arithmetic), "seconds": self.seconds, "bits": self.bits,
            "model": self.model, **({"in_time": list(self.in_time)} if self.in_time else {}),
        }  # fmt: skip


def texts(found: object) -> tuple[str, ...]:
    """The items of a list as texts; nothing for what is no list."""
    return tuple(map(str, found)) if isinstance(found, Sequence) and not isinstance(found, str) else ()


def finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
