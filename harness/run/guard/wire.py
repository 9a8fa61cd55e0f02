"""What the runner and the guard's process say to each other: one JSON object a line, over the guard's stdin and stdout.

Runner to guard: {"id": 7, "do": "off", "supply": "USB"}; a beat has no id and no answer.
Guard to runner: {"id": 7, "ok": …} or {"id": 7, "error": {"kind", "message", "instrument"}}, and, unasked,
{"event": "cut", …} at once and {"event": "pulse", "latest": …, "climbing": […]} now and then.

Numbers that JSON has no words for (a sample that never came) are written as null.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from typing import Any, TypedDict

from wakeboard.harness.run.guard.core import Cut, Envelope, Sample
from wakeboard.harness.run.guard.owner import OffReport, Ramp, Setting, Track


class CutTold(TypedDict):
    """core.Cut; no number: null."""

    rule: str
    time: float
    volts: float | None
    amps: float | None
    says: str


class _SampleTold(TypedDict):
    time: float
    volts: float | None
    amps: float | None
    mode: str
    on: bool | None
    trip: str | None


class SampleTold(_SampleTold, total=False):
    """core.Sample; no number: null."""

    asked: float | None


class _ReportTold(TypedDict):
    states: dict[str, str]
    errors: dict[str, str]


class ReportTold(_ReportTold, total=False):
    """owner.OffReport; came_on: with the answer to look_again only."""

    remarks: dict[str, str]
    came_on: CutTold | None


class TrackTold(TypedDict):
    """owner.Track."""

    times: list[float]
    volts: list[float]
    amps: list[float]
    limit: list[float]
    mode: list[str]


class Failure(TypedDict):
    """An exception of the guard's; kind: its class."""

    kind: str
    message: str
    instrument: str


class Opened(TypedDict):
    """The answer to `open`."""

    identities: dict[str, dict[str, str]]
    dialects: dict[str, str]
    off_list: list[str]
    cautions: dict[str, list[str]]


class GuardSays(ReportTold, total=False):
    """What the guard says: an answer has an id, an event its name, and the fields of that event."""

    id: int | None
    ok: Any  # what was asked for: the client knows
    error: Failure
    event: str
    supply: str
    cut: CutTold
    back: bool
    latest: dict[str, SampleTold]
    waits: float
    lit: bool


class RunnerSays(TypedDict, total=False):
    """What the runner says: what to do, and the fields that this needs."""

    id: int
    do: str
    supply: str
    setting: dict[str, Any]  # owner.Setting, core.Envelope, owner.Ramp, SupplyPlan by their fields
    envelope: dict[str, Any]
    ramp: dict[str, Any] | None
    plans: list[dict[str, Any]]
    report: str
    most_amps: float | None
    least_amps: float | None
    amps: float
    lease: float
    why: str


def encode(message: Mapping[str, object]) -> bytes:
    return json.dumps(message, separators=(",", ":"), allow_nan=False, default=_plain).encode() + b"\n"


def asked(line: bytes) -> RunnerSays:
    """One message of the runner's. Raises ValueError for a line that is none."""
    message: RunnerSays = decode(line)
    return message


def told(line: bytes) -> GuardSays:
    """One message of the guard's. Raises ValueError for a line that is none."""
    message: GuardSays = decode(line)
    return message


def decode(line: bytes) -> Any:
    """An object, of whatever fields. Raises ValueError for a line that is none."""
    message = json.loads(line)
    if not isinstance(message, dict):
        raise ValueError(f"a message is an object, not {line[:60]!r}")
    return message


def _plain(value: object) -> dict[str, object]:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: finite(getattr(value, field.name)) for field in dataclasses.fields(value)}
    raise TypeError(f"{type(value).__name__} does not go over the wire")


def finite(value: object) -> object:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)


def cut_of(data: CutTold) -> Cut:
    return Cut(data["rule"], data["time"], _number(data["volts"]), _number(data["amps"]), data["says"])


def sample_of(data: SampleTold) -> Sample:
    volts, amps = _number(data["volts"]), _number(data["amps"])
    return Sample(data["time"], volts, amps, data["mode"], data["on"], data["trip"], data.get("asked"))


def setting_of(data: Mapping[str, Any]) -> Setting:
    return Setting(**data)


def envelope_of(data: Mapping[str, Any]) -> Envelope:
    return Envelope(**data)


def ramp_of(data: Mapping[str, Any] | None) -> Ramp | None:
    return None if data is None else Ramp(**data)


def report_of(data: ReportTold) -> OffReport:
    return OffReport(data["states"], data["errors"], data.get("remarks", {}))


def report_data(report: OffReport) -> ReportTold:
    return {"states": dict(report.states), "errors": dict(report.errors), "remarks": dict(report.remarks)}


def track_of(data: TrackTold) -> Track:
    return Track(data["times"], data["volts"], data["amps"], data["limit"], data["mode"])
