"""Code that a board brings along: Python files beside the board file, which it names.

    [board]
    own = ["our_steps.py"]

Such a file may hold a step kind, part kinds, a review rule and a reader of drawings (registry.py, steps.py). It is code
and runs with the rights of whoever runs Wakeboard, and a board's folder may be borrowed. So nothing is run that this
person has not agreed to: the file is known by its SHA-256, and a person is asked once for each, on a terminal. Where
nobody can be asked (--no-input, a script, a test machine), the environment variable WAKEBOARD_OWN lists the
hashes that are agreed to (their first 12 digits at least); any other is refused. What was agreed to is kept in the
user's configuration folder.
"""

from __future__ import annotations

import functools
import hashlib
import os
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Final

from wakeboard.harness.describe.problems import FileProblems, Problem, quoted
from wakeboard.harness.describe.registry import BadKind, bring, forget_brought, packages

if TYPE_CHECKING:
    from wakeboard.harness.describe.toml.document import Document

VARIABLE: Final = "WAKEBOARD_OWN"
SHORT: Final = 12
"""Digits of a hash by which a person names it."""
Asker = Callable[[Path, str], bool]
_asker: Asker | None = None
_loaded: dict[str, ModuleType] = {}


def ask_with(asker: Asker | None) -> None:
    """Who asks the person: asker(file, hash) is whether it may be run. None: nobody can be asked."""
    global _asker
    _asker = asker


def take_own(document: Document) -> None:
    """Run what a board's document names, and what installed packages bring; what is wrong is added to the document."""
    _packages()
    head = document.data.get("board")
    found = head.get("own", ()) if isinstance(head, dict) else ()
    names = [found] if isinstance(found, str) else found if isinstance(found, list) else []
    for index, name in enumerate(names):
        if isinstance(name, str):
            path: tuple[str | int, ...] = ("board", "own") if isinstance(found, str) else ("board", "own", index)
            try:
                _take(Path(document.file).parent, name)
            except _Refusal as refusal:
                document.add(path, refusal.found, refusal.allowed)


def take_file(file: Path) -> None:
    """Run a file that a person named on the command line, after the same question. Raises FileProblems."""
    _packages()
    try:
        _take(file.parent, file.name)
    except _Refusal as refusal:
        raise FileProblems([Problem(str(file), 0, "", refusal.found, refusal.allowed)]) from None


def take_packages() -> None:
    """What installed packages bring, where no board is read yet."""
    _packages()


def forget() -> None:
    """What boards brought along is gone, as at the start of the program."""
    _loaded.clear()
    _packages.cache_clear()
    forget_brought()


@functools.cache
def _packages() -> None:
    for module in packages():
        bring(module)


class _Refusal(Exception):
    def __init__(self, found: str, allowed: str) -> None:
        super().__init__(found)
        self.found = found
        self.allowed = allowed


def _take(folder: Path, name: str) -> None:
    given = Path(name)
    if given.is_absolute() or ".." in given.parts or given.suffix != ".py":
        raise _Refusal(quoted(name), "a Python file in the board's folder")
    path = folder / given
    try:
        code = path.read_bytes()
    except OSError as error:
        raise _Refusal(f"{quoted(name)}, which cannot be read ({error.strerror})", "a file beside the board") from None
    digest = hashlib.sha256(code).hexdigest()
    if digest in _loaded:
        return
    if not _agreed(path, digest):
        raise _Refusal(
            f"{quoted(name)}, code that was not run here before (SHA-256 {digest[:SHORT]}…)",
            f"your word: read it, then agree on a terminal, or set {VARIABLE}={digest[:SHORT]}",
        )
    _loaded[digest] = _run(path, code, digest)


def _run(path: Path, code: bytes, digest: str) -> ModuleType:
    """What was hashed is what is run; nothing is looked up beside it."""
    module = ModuleType(f"wakeboard_own_{digest[:SHORT]}")
    module.__file__ = str(path)
    sys.modules[module.__name__] = module  # annotations of its models are looked up there
    try:
        exec(compile(code, str(path), "exec"), module.__dict__)
        if not bring(module):
            raise BadKind("it brings no step kind, part kinds, review rule or reader")
    except Exception as error:
        del sys.modules[module.__name__]
        line = _line(error, str(path))
        told = f"{type(error).__name__}: {error}" if not isinstance(error, BadKind) else str(error)
        raise _Refusal(f"{quoted(path.name)}{line}: {told}", "code that runs (harness/describe/own.py)") from error
    return module


def _line(error: BaseException, file: str) -> str:
    """The last line of a file that an error came through; "" where it did not."""
    if isinstance(error, SyntaxError) and error.filename == file:
        return f", line {error.lineno}"
    found, at = "", error.__traceback__
    while at is not None:
        if at.tb_frame.f_code.co_filename == file:
            found = f", line {at.tb_lineno}"
        at = at.tb_next
    return found


# --- what is agreed to ------------------------------------------------------------------------------------------------
def is_agreed(digest: str) -> bool:
    """Whether what has this SHA-256 may be run: by the variable, or because this person agreed to it before."""
    named = [each.strip() for each in os.environ.get(VARIABLE, "").split(",")]
    return any(len(each) >= SHORT and digest.startswith(each) for each in named) or digest in _kept()


def _agreed(path: Path, digest: str) -> bool:
    if is_agreed(digest):
        return True
    if _asker is None or not _asker(path, digest):
        return False
    keep(path, digest)
    return True


def _file() -> Path:
    import platformdirs

    return Path(platformdirs.user_config_dir("wakeboard", appauthor=False)) / "own-code.txt"


def _kept() -> set[str]:
    try:
        lines = _file().read_text(encoding="utf-8").splitlines()
    except OSError:
        return set()
    return {line.split(" ", 1)[0] for line in lines}


def keep(path: Path, digest: str) -> None:
    """It was agreed to. A disk that takes no file makes the person be asked again, and nothing worse."""
    try:
        file = _file()
        file.parent.mkdir(parents=True, exist_ok=True)
        with file.open("a", encoding="utf-8") as out:
            out.write(f"{digest} {path.resolve()}\n")
    except OSError:
        return
