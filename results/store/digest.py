"""The digest of a step: made when it is written, and looked at again when it is read.

It covers what comes back from any database: text without what databases refuse, finite numbers as floats. It has two
halves: what the step tells, and its trace and traffic, which most readers leave on the disk; what is read is held
against its half. One of an older store is one for both ("2-" in front), which only a reader of everything can look at;
those of still older ones covered what was given, and are not looked at.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Final

from wakeboard.results.records import Step
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.text import clean, number

MARK: Final = "3-"
OLDER: Final = "2-"
LONG: Final = 32  # digits of a half


def digest_of(step: Step, blobs: Mapping[str, bytes]) -> str:
    """blobs: trace and traffic as bytes, before they are squeezed."""
    return f"{MARK}{_half(_told(step))}-{_half(*_in_order(blobs))}"


def check(digest: str, step: Step, blobs: Mapping[str, bytes] | None, run: str) -> None:
    """Raises StoreError where a step that was read is not the one that was written. blobs: None where trace and traffic
    were not read."""
    if not _is_of(digest, step, blobs):
        raise StoreError(
            f"step {step.number} of run {run[:8]} is not what was written: its digest differs, so the store was "
            "changed or damaged since; nothing of this run is relied on. Restore a backup, or run the unit again",
            kind="corrupt",
        )


def _is_of(digest: str, step: Step, blobs: Mapping[str, bytes] | None) -> bool:
    if digest.startswith(MARK):
        told, _, recorded = digest.removeprefix(MARK).partition("-")
        return told == _half(_told(step)) and (blobs is None or recorded == _half(*_in_order(blobs)))
    if digest.startswith(OLDER) and blobs is not None:
        return digest == OLDER + _half(_told(step), *_in_order(blobs))
    return True


def _told(step: Step) -> bytes:
    return json.dumps(_kept(step.as_json()), sort_keys=True).encode()


def _in_order(blobs: Mapping[str, bytes]) -> list[bytes]:
    return [blobs[kind] for kind in sorted(blobs)]


def _half(*parts: bytes) -> str:
    return hashlib.sha256(b"".join(parts)).hexdigest()[:LONG]


def _kept(node: object) -> object:
    """As it comes back; detail is kept as JSON, where an integer stays one."""
    if isinstance(node, str):
        return clean(node)
    if isinstance(node, Mapping):
        return {key: json.loads(json.dumps(value)) if key == "detail" else _kept(value) for key, value in node.items()}
    if isinstance(node, (list, tuple)):
        return [_kept(each) for each in node]
    if isinstance(node, bool) or not isinstance(node, (int, float)):
        return node
    value = number(node)
    return None if value is None else value + 0.0  # SQLite keeps no -0.0
