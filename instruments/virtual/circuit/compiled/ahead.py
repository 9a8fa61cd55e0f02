"""The solver's functions compiled before they are called, by processes of their own, each for one part of them.

Each compiles functions for the types that the solver calls them with and leaves them where numba keeps them; whoever
waits then fetches them from there. Nothing depends on it: what such a process did not get done is compiled where it is
called.
"""

from __future__ import annotations

import contextlib
import logging
import os
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any, Final

import numba
import numpy as np

from . import Array, Marks, Places
from .elements import Blocks, Extras, evaluate
from .elimination import Plan, least_first, planned
from .iteration import Room, Rules, Wiring, balanced, linear_group, newton_group, state_group, step
from .parameters import Parameters

SHARES: Final = (
    ("step", "balanced", "newton_group"),
    ("evaluate", "planned", "least_first", "state_group", "linear_group"),
)
"""What one process each compiles, in this order: about half of the work. What both need (`shared`) comes first in one
and is fetched from the disk by the other, which is busy with its own until then."""

INNER: Final = frozenset({"step", "balanced", "evaluate"})
"""Of these what only compiled functions call: nothing is missing without them where their callers are on disk."""

NAME: Final = re.compile("[0-9a-f]{16}")
OLD: Final = 90 * 24 * 3600.0  # s: a season without a new version is rare where a version is in use

PATIENCE: Final = 300.0  # s; a process that takes longer is left to itself


def _places(dimensions: int = 1) -> Places:
    return np.empty((0,) * dimensions, dtype=np.intp)


def _small(dimensions: int = 1) -> Places:
    return np.empty((0,) * dimensions, dtype=np.uint32)


def _reals(dimensions: int = 1) -> Array:
    return np.empty((0,) * dimensions)


def _marks(dimensions: int = 1) -> Marks:
    return np.empty((0,) * dimensions, dtype=np.bool_)


def _plan() -> Plan:
    short = [_small() for _ in Plan._fields]
    return Plan(*(0, *short[1:]))._replace(  # type: ignore[arg-type]
        start=_places(), stamp_sign=_reals(), extra_slot=_small(2), owner=_places(), source=_small(2)
    )


def examples() -> dict[str, tuple[Any, tuple[object, ...]]]:
    """By name: each function that Python calls, some that these call, and empty arguments of the types that each is
    called with."""
    p, s = _places(), _small()
    blocks = Blocks(p, p, p, p, p, p, slope_of=s, slope_by=s, current_port=s, nodes=0, branches=0)
    wiring = Wiring(_small(), _small(), _plan(), _small(), _small())
    parameters = Parameters(_reals(2), _places(), _places(), _places(), _reals())
    rules = Rules(0.0, 0, 0.0, 0.0, False, 0.0)
    extras, x = Extras(s, s, _reals()), _reals()
    room = Room(x, x, x, x, x, x, x, x, x, matrix=_reals(2), row=p, limit=x)
    common = (blocks, wiring, _places(), parameters, _reals(2), _reals(2), _reals(2))
    return {
        "evaluate": (evaluate, (blocks, s, s, x, x, x, x, x, x)),
        "step": (step, (blocks, wiring, extras, room, 0.0)),
        "balanced": (balanced, (blocks, wiring, x, x, extras, room)),
        "least_first": (least_first, (_marks(2), _places(), _places())),
        "planned": (planned, (_places(), _places(), _places(), 0, *(_small() for _ in range(6)))),
        "newton_group": (
            newton_group,
            (*common, _reals(2), rules, _reals(), _reals(2), _marks(), _marks(), *(_reals(2) for _ in range(3))),
        ),
        "state_group": (
            state_group, (*common, *(_reals(2) for _ in range(3)), _marks(2), _marks(2), _reals(3)),
        ),
        "linear_group": (linear_group, (blocks, wiring, p, _reals(2), _reals(2), _reals(1), p, _reals(2), True)),
    }  # fmt: skip


def compile_now(*names: str) -> None:
    """Compile functions and keep them on disk; whoever shows something meanwhile goes first."""
    if hasattr(os, "nice"):
        os.nice(1)
    type_of: Any = numba.typeof
    known = examples()
    for name in names:
        function, arguments = known[name]
        function.compile(tuple(type_of(each) for each in arguments))


def _kept(name: str) -> bool:
    folder = Path(examples()[name][0].stats.cache_path)  # where numba found that it can write
    version = f"py{sys.version_info.major}{sys.version_info.minor}"
    return any(folder.glob(f"*.{name}-*.{version}.nbi"))


def missing() -> tuple[tuple[str, ...], ...]:
    """The shares that are not on disk yet; none where the same code runs as plain Python."""
    if numba.config.DISABLE_JIT:  # type: ignore[attr-defined]
        return ()
    return tuple(share for share in SHARES if not all(_kept(name) for name in share if name not in INNER))


_under_way: list[subprocess.Popen[bytes]] = []


def begin() -> bool:
    """Start to compile what is missing, in the background; whether anything is under way."""
    if not _under_way and sys.executable:
        _under_way.extend(process for share in missing() if (process := _compiler(share)))
        if _under_way:
            sweep(Path(numba.config.CACHE_DIR))  # type: ignore[attr-defined]
            logging.getLogger(__name__).warning(
                "Compiling the circuit solver for this machine, once: a quarter of a minute."
            )
    return bool(_under_way)


def sweep(mine: Path) -> None:
    """What other versions have left beside this one's folder, and not been compiled for long: a version that is still
    in use compiles again. Only folders that are named as we name ours."""
    now = time.time()
    with contextlib.suppress(OSError):
        for other in mine.parent.iterdir() if NAME.fullmatch(mine.name) else ():
            if other != mine and NAME.fullmatch(other.name) and now - other.stat().st_mtime > OLD:
                shutil.rmtree(other, ignore_errors=True)


def _compiler(share: tuple[str, ...]) -> subprocess.Popen[bytes] | None:
    command = [sys.executable, "-P", "-c", f"from {__name__} import compile_now; compile_now{share!r}"]
    nothing = subprocess.DEVNULL
    try:
        return subprocess.Popen(command, stdin=nothing, stdout=nothing, stderr=nothing)
    except OSError:
        return None


def wait() -> None:
    """Until what was begun is done. A process that failed has left its work to its caller."""
    while _under_way:
        with contextlib.suppress(subprocess.TimeoutExpired):
            _under_way.pop().wait(PATIENCE)
