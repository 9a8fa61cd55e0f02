from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    text: str
def parse_fault(text: str) -> Fault:
    return Fault(text)
