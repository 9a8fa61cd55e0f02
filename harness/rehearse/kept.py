"""What is done of a long rehearsal, in a file that survives whoever writes it.

One line a piece, written whole and synced; the first line says which rehearsal it is (a digest of files, faults and
software). A torn last line is a piece that is not done. A file of another rehearsal is refused, not overwritten.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterator
from dataclasses import asdict
from typing import IO, Any

from wakeboard.harness.rehearse.job import Judged
from wakeboard.harness.rehearse.reach import Sight
from wakeboard.harness.rehearse.trial import Burn, Trial


class KeptElsewhere(RuntimeError):
    """The file keeps something else; nothing was written."""


class Kept:
    """The pieces that are done: first index -> judgements."""

    def __init__(self, out: IO[bytes] | None, pieces: dict[int, list[Judged]]) -> None:
        self._out = out
        self.pieces = pieces

    @classmethod
    @contextlib.contextmanager
    def open(cls, file: str | None, digest: str) -> Iterator[Kept]:
        """file: None keeps nothing. Raises KeptElsewhere, OSError."""
        if file is None:
            yield cls(None, {})
            return
        with open(file, "a+b") as out:
            _alone(out, file)
            out.seek(0)
            pieces, good = _read(out.read(), digest, file)
            out.truncate(good)
            kept = cls(out, pieces)
            if not good:
                kept._line({"rehearsal": digest})
            yield kept

    def add(self, first: int, judged: list[Judged]) -> None:
        """A piece is done, also after the next power cut."""
        self.pieces[first] = judged
        if self._out is not None:
            self._line({"first": first, "judged": [_told(each) for each in judged]})

    def _line(self, document: dict[str, object]) -> None:
        assert self._out is not None
        self._out.write(json.dumps(document).encode() + b"\n")
        self._out.flush()
        os.fsync(self._out.fileno())


def _alone(out: IO[bytes], file: str) -> None:
    """One writer: two would do everything twice."""
    try:
        import fcntl
    except ImportError:  # elsewhere pieces that were done twice count once all the same
        return
    try:
        fcntl.flock(out, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        raise KeptElsewhere(f"{file} is being written by another rehearsal") from None


def _read(data: bytes, digest: str, file: str) -> tuple[dict[int, list[Judged]], int]:
    """(pieces, how many bytes of the file are whole lines of them). Raises KeptElsewhere."""
    pieces: dict[int, list[Judged]] = {}
    good = 0
    for line in data.splitlines(keepends=True):
        try:
            document = json.loads(line)
        except ValueError:
            document = None
        if not line.endswith(b"\n") or not isinstance(document, dict):
            break
        if good == 0 and document.get("rehearsal") != digest:
            raise KeptElsewhere(f"{file} keeps another rehearsal (other files, faults or software): name another file")
        if good:
            pieces.setdefault(document["first"], [_judged(each) for each in document["judged"]])
        good += len(line)
    if data and not good:
        raise KeptElsewhere(f"{file} is no file of a rehearsal: name another one")
    return pieces, good


def _told(judged: Judged) -> dict[str, object]:
    """JSON keeps a double to its last bit."""
    trial = judged.trial
    return {
        "faults": trial.faults, "outcome": trial.outcome, "names": {str(k): v for k, v in trial.names.items()},
        "trip": trial.trip, "error": trial.error, "step": judged.step, "rescue": judged.rescue,
        "sight": asdict(judged.sight) if judged.sight is not None else None,
        "burn": asdict(judged.burn) if judged.burn is not None else None,
    }  # fmt: skip


def _judged(told: dict[str, Any]) -> Judged:
    trial = Trial(
        faults=tuple(told["faults"]), outcome=told["outcome"], readings={}, steps={},
        names={int(k): v for k, v in told["names"].items()}, states=frozenset(),
        trip=tuple(told["trip"]) if told["trip"] else None, error=told["error"],
    )  # fmt: skip
    sight = Sight(**told["sight"]) if told["sight"] else None
    burn = Burn(**told["burn"]) if told["burn"] else None
    return Judged(trial, told["step"], sight, burn, told["rescue"])
