"""ngspice in this process: its shared library through ctypes (Debian: libngspice0).

One library holds one simulator: make one `Shared` a process. The header sharedspice.h of ngspice is the interface.
"""

from __future__ import annotations

import ctypes
import ctypes.util
from collections.abc import Iterable, Sequence


class _Complex(ctypes.Structure):
    _fields_ = [("real", ctypes.c_double), ("imaginary", ctypes.c_double)]


class _Vector(ctypes.Structure):
    _fields_ = [
        ("name", ctypes.c_char_p),
        ("type", ctypes.c_int),
        ("flags", ctypes.c_short),
        ("real", ctypes.POINTER(ctypes.c_double)),
        ("complex", ctypes.POINTER(_Complex)),
        ("length", ctypes.c_int),
    ]


_PRINTED = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_void_p)
_ENDED = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_int, ctypes.c_bool, ctypes.c_bool, ctypes.c_int, ctypes.c_void_p)


def library() -> str | None:
    """The shared library's name where there is one."""
    return ctypes.util.find_library("ngspice")


class Shared:
    """ngspice without a process of its own. Raises RuntimeError for a netlist that it refuses or cannot solve."""

    def __init__(self) -> None:
        self._library = ctypes.CDLL(library() or "libngspice.so.0")
        self._library.ngGet_Vec_Info.restype = ctypes.POINTER(_Vector)
        self.said: list[str] = []
        self._callbacks = (_PRINTED(self._print), _PRINTED(lambda *_: 0), _ENDED(self._end))
        self._library.ngSpice_Init(*self._callbacks, None, None, None, None)

    def _print(self, text: bytes, _instance: int, _data: object) -> int:
        self.said.append(text.decode(errors="replace"))
        return 0

    def _end(self, *_: object) -> int:
        raise RuntimeError(f"ngspice gave up: {self.said[-5:]}")

    def load(self, lines: Sequence[str]) -> None:
        """Take a netlist over in place of the one before."""
        array = (ctypes.c_char_p * (len(lines) + 1))(*(line.encode() for line in lines), None)
        if self._library.ngSpice_Circ(array):
            raise RuntimeError(f"ngspice refuses the netlist: {self.said[-5:]}")

    def command(self, text: str) -> None:
        """Type a command."""
        if self._library.ngSpice_Command(text.encode()):
            raise RuntimeError(f"ngspice refuses {text!r}: {self.said[-5:]}")

    def drop(self) -> None:
        """Forget the netlist and its answers."""
        self.command("destroy all")
        self.command("remcirc")

    def value(self, vector: str) -> float:
        """The last value of a vector, such as V(net)."""
        found = self._library.ngGet_Vec_Info(vector.encode())
        if not found or not found.contents.length:
            raise RuntimeError(f"ngspice has no {vector}: {self.said[-5:]}")
        return float(found.contents.real[found.contents.length - 1])

    def operating_point(self, text: str, nodes: Iterable[str]) -> dict[str, float]:
        """Volts of the nodes of a netlist at its operating point."""
        self.said.clear()
        self.load([line for line in text.splitlines() if line.strip().lower() != ".op"])
        try:
            self.command("op")
            return {node: 0.0 if node == "0" else self.value(f"V({node.lower()})") for node in nodes}
        finally:
            self.drop()
