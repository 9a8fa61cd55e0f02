"""The solver's inner loop, compiled at first use.

`compiled` is numba's compiler with the settings of this folder: no Python objects, the interpreter's lock let go, IEEE
division. What it makes is kept on disk, in a folder named by a digest of the sources, since the compiler itself would
not see that a function called from another file has changed. NUMBA_CACHE_DIR says where else to keep it;
NUMBA_DISABLE_JIT=1 runs the same code as plain Python (slow), for a debugger.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import numba
import numpy as np
import platformdirs
from numpy.typing import NDArray

Array = NDArray[np.float64]
Places = NDArray[np.integer]
Marks = NDArray[np.bool_]
Function = TypeVar("Function", bound=Callable[..., object])


def _digest() -> str:
    found = hashlib.sha256(numba.__version__.encode())
    for file in sorted(Path(__file__).parent.glob("*.py")):
        found.update(file.read_bytes())
    return found.hexdigest()[:16]


if "NUMBA_CACHE_DIR" not in os.environ:
    folder = Path(platformdirs.user_cache_dir("wakeboard", appauthor=False), "solver", _digest())
    numba.config.CACHE_DIR = str(folder)  # type: ignore[attr-defined]


def _made(function: Function, **settings: bool) -> Function:
    make: Any = numba.njit  # its own types leave out what saves a wrapper
    return cast(Function, make(nogil=True, error_model="numpy", no_cfunc_wrapper=True, **settings)(function))


def compiled(function: Function) -> Function:
    """The function as machine code, kept on disk."""
    return _made(function, cache=True)


def inner(function: Function) -> Function:
    """The same for a function that only compiled ones call: it becomes part of them and costs less to compile.

    Python must not call it (it has no way in); its source, function.py_func, may be called.
    """
    return _made(function, no_cpython_wrapper=True)


def shared(function: Function) -> Function:
    """As `inner`, and kept on disk too: for what several functions call that are compiled in processes of their own
    (ahead.py), so that one compiles it for all."""
    return _made(function, no_cpython_wrapper=True, cache=True)
