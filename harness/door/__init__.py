"""Wakeboard wakes new circuit boards up without letting the smoke out. The public door: `import wakeboard as wb`.

    board = wb.load_board("board.toml")                  load_bench, load_sequence
    wb.review(board)                                     what is wrong with the design, on paper
    with wb.at_bench(board, unit="SN1") as bench: …      check, power, read, drive, step; off at the end, always
    result = wb.run("first-power-on.toml", unit="SN1", store="wakeboard.db")
    wb.explain(result); wb.compare("wakeboard.db"); wb.rework("wakeboard.db", "SN1", "…"); wb.rehearse("bring-up.toml")
    wb.frame(anything)                                   a pandas table; attrs["units"] has the units of its columns
    wb.plot.power(result)                                matplotlib: pip install 'wakeboard[plot]'

Numbers are in base units (V, A, Ω, s); quantities that are given may be texts as in the files ("120 mA"). The names of
`__all__` are kept: they change with a new first digit of the version only. Each is loaded when it is first used.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from wakeboard.harness.describe.load import load_bench, load_board, load_sequence
    from wakeboard.harness.describe.problems import FileProblems
    from wakeboard.harness.run.errors import Refused, Tripped
    from wakeboard.harness.script import plot
    from wakeboard.harness.script.doors import compare, explain, rehearse, review, rework, run
    from wakeboard.harness.script.seat import at_bench, skep
    from wakeboard.harness.script.tables import frame
    from wakeboard.instruments.errors import BenchError

    __version__: str

__all__ = [
    "BenchError", "FileProblems", "Refused", "Tripped", "__version__", "at_bench", "compare", "explain", "frame",
    "load_bench", "load_board", "load_sequence", "plot", "rehearse", "review", "rework", "run", "skep",
]  # fmt: skip

_PLACES = {
    "harness.describe.load": ("load_bench", "load_board", "load_sequence"),
    "harness.describe.problems": ("FileProblems",),
    "harness.run.errors": ("Refused", "Tripped"),
    "harness.script.doors": ("compare", "explain", "rehearse", "review", "rework", "run"),
    "harness.script.seat": ("at_bench", "skep"),
    "harness.script.tables": ("frame",),
    "instruments.errors": ("BenchError",),
}
_PLACE = {name: place for place, names in _PLACES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from importlib.metadata import version

        return version("wakeboard")
    if name == "plot":
        return import_module("wakeboard.harness.script.plot")
    if name in _PLACE:
        found = getattr(import_module(f"wakeboard.{_PLACE[name]}"), name)
        globals()[name] = found
        return found
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
