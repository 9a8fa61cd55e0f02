"""The digest of a step: made when it is written, and looked at again when it is read.

It covers what comes back from any database: text without what databases refuse, finite numbers as floats. Digests of
stores that were written before (no "2-" in front) covered what was given, and are not looked at.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Final

from wakeboard.results.records import Step
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.text import clean, number

MARK: Final = "2-"


def digest_of(step: Step, blobs: Mapping[str, bytes]) -> str:
    """blobs: trace and traffic as bytes, before they are squeezed."""
    whole = hashlib.sha256(json.dumps(_kept(step.as_json()), sort_keys=True).encode())
    for kind in sorted(blobs):
        whole.update(blobs[kind])
    return MARK + whole.hexdigest()[:32]


def check(digest: str, step: Step, blobs: Mapping[str, bytes], run: str) -> None:
    """Raises StoreError where a step that was read is not the one that was written."""
    if digest.startswith(MARK) and digest != digest_of(step, blobs):
        raise StoreError(
            f"step {step.number} of run {run[:8]} is not what was written: its digest differs, so the store was "
            "changed or damaged since; nothing of this run is relied on. Restore a backup, or run the unit again",
            kind="corrupt",
        )


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
