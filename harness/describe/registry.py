"""How a kind of thing is found: in our own folder, in an installed package, in a Python file that a board names.

    STEPS = Registry("step kind", "wakeboard.harness.run.steps", take)
    STEPS.all()                        name -> kind; ours first, then what packages and own files brought

Ours is a folder of modules, one a kind; modules that begin with an underscore are shared by several. A package names
its modules under the entry point group `wakeboard.own`; a board names files beside it with `own` (own.py). `take` gives
what a module brings: each looks for its own names, so one file may bring a step kind, part kinds and a review rule.
A name that is taken is refused: nobody may put something else in the place of what a sequence means.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable, Iterator, Mapping
from importlib import metadata
from types import ModuleType
from typing import Any, Final, Generic, TypeVar

T = TypeVar("T")
GROUP: Final = "wakeboard.own"
_registries: list[Registry[Any]] = []
_brought: list[ModuleType] = []


class BadKind(TypeError):
    """A module that should bring a kind and does not; the text says what is missing."""


class Registry(Generic[T]):
    """See above. what: how a person calls such a thing."""

    def __init__(self, what: str, package: str, take: Callable[[ModuleType], Iterator[tuple[str, T]]]) -> None:
        self.what = what
        self._package = package
        self._take = take
        self._found: dict[str, T] | None = None
        self._from: dict[str, str] = {}
        _registries.append(self)

    def all(self) -> Mapping[str, T]:
        """Every one by its name."""
        if self._found is None:
            self._found = {}
            for module in _ours(self._package):
                self._add(module, required=True)
            for module in _brought:
                self._add(module, required=False)
        return self._found

    def add(self, module: ModuleType) -> int:
        """Take what a module from elsewhere brings; how many that was. Raises BadKind."""
        self.all()
        return self._add(module, required=False)

    def begin_anew(self) -> None:
        """Look again when next asked."""
        self._found = None
        self._from = {}

    def source(self, name: str) -> str:
        """The file or module that brought it, "" for one of ours."""
        self.all()
        return self._from.get(name, "")

    def _add(self, module: ModuleType, *, required: bool) -> int:
        assert self._found is not None
        brought = list(self._take(module))
        if required and not brought:
            raise BadKind(f"{module.__name__} brings no {self.what}")
        where = "" if required else str(getattr(module, "__file__", None) or module.__name__)
        for name, found in brought:
            if name in self._found and (not where or self._from.get(name) != where):
                other = self._from.get(name) or "Wakeboard itself"
                raise BadKind(f'{module.__name__}: the {self.what} "{name}" is taken, by {other}')
            self._found[name] = found
            self._from[name] = where
        return len(brought)


def _ours(package: str) -> Iterator[ModuleType]:
    folder = importlib.import_module(package)
    for name in sorted(each.name for each in pkgutil.iter_modules(folder.__path__)):
        if not name.startswith("_"):
            yield importlib.import_module(f"{package}.{name}")


def bring(module: ModuleType) -> int:
    """What a module from elsewhere brings, to every registry that there is or will be, and to the circuit's part kinds;
    how many things that was. Raises BadKind."""
    from wakeboard.instruments.virtual.circuit.parts import add_kinds

    try:
        brought = sum(registry.add(module) for registry in _registries)
        brought += add_kinds(getattr(module, "KINDS", ()), str(getattr(module, "__file__", module.__name__)))
    except (BadKind, ValueError) as error:
        for registry in _registries:  # all of it or nothing
            registry.begin_anew()
        raise BadKind(str(error)) from None
    _brought.append(module)
    # A review rule and a reader, for registries that may not be there yet.
    return brought + hasattr(module, "find") + hasattr(module, "tells")


def forget_brought() -> None:
    """Only ours again, as at the start: for a program that is done with a board and its own code."""
    from wakeboard.instruments.virtual.circuit.parts import forget_added

    _brought.clear()
    forget_added()
    for registry in _registries:
        registry.begin_anew()


def packages() -> Iterator[ModuleType]:
    """The modules that installed packages name."""
    for point in metadata.entry_points(group=GROUP):
        found = point.load()
        if not isinstance(found, ModuleType):
            raise BadKind(f"the entry point {point.name} of {GROUP} names no module")
        yield found
