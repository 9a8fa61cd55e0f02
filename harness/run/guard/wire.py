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
from typing import Any

from wakeboard.harness.run.guard.core import Cut, Envelope, Sample
from wakeboard.harness.run.guard.owner import OffReport, Ramp, Setting, Track


def encode(message: Mapping[str, Any]) -> bytes:
    return json.dumps(message, separators=(",", ":"), allow_nan=False, default=_plain).encode() + b"\n"


def decode(line: bytes) -> dict[str, Any]:
    """One message. Raises ValueError for a line that is none."""
    message = json.loads(line)
    if not isinstance(message, dict):
        raise ValueError(f"a message is an object, not {line[:60]!r}")
    return message


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: finite(getattr(value, field.name)) for field in dataclasses.fields(value)}
    raise TypeError(f"{type(value).__name__} does not go over the wire")


def finite(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)


def cut_of(data: Mapping[str, Any]) -> Cut:
    return Cut(data["rule"], data["time"], _number(data["volts"]), _number(data["amps"]), data["says"])


def sample_of(data: Mapping[str, Any]) -> Sample:
    volts, amps = _number(data["volts"]), _number(data["amps"])
    return Sample(data["time"], volts, amps, data["mode"], data["on"], data["trip"], data.get("asked"))


def setting_of(data: Mapping[str, Any]) -> Setting:
    return Setting(**data)


def envelope_of(data: Mapping[str, Any]) -> Envelope:
    return Envelope(**data)


def ramp_of(data: Mapping[str, Any] | None) -> Ramp | None:
    return None if data is None else Ramp(**data)


def report_of(data: Mapping[str, Any]) -> OffReport:
    return OffReport(data["states"], data["errors"], data.get("remarks", {}))


def report_data(report: OffReport) -> dict[str, Any]:
    return {"states": dict(report.states), "errors": dict(report.errors), "remarks": dict(report.remarks)}


def track_of(data: Mapping[str, Any]) -> Track:
    return Track(data["times"], data["volts"], data["amps"], data["limit"], data["mode"])
