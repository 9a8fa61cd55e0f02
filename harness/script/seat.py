"""A unit at the bench, from a program.

    >>> import wakeboard as wb
    >>> folder = wb.skep("skep")
    >>> with wb.at_bench(folder / "board.toml", unit="SK-A-001") as bench:
    ...     short = bench.check("USB")
    ...     step = bench.power("USB", limit="120 mA")
    ...     reading = bench.read("+3V3")
    >>> short.outcome, step.outcome, reading.unit
    ('pass', 'pass', 'V')
    >>> 3.2 < reading.value < 3.4
    True
    >>> bench.result.off.confirmed, bench.ended_by
    (True, 'the bench is closed')

A supply needs a limit, and its check for a short before it or a reason, as in a sequence:

    >>> with wb.at_bench(folder / "board.toml", unit="SK-A-001") as bench:
    ...     bench.power("USB", limit="120 mA")
    Traceback (most recent call last):
    wakeboard.harness.run.errors.Refused: supply: found "USB" energised before its check for a short; allowed: ...
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from wakeboard.harness.run.errors import Refused
from wakeboard.harness.run.sitting import PATIENCE, SCRIPT, Sitting, empty
from wakeboard.results.records import Reading, Step

if TYPE_CHECKING:
    from wakeboard.harness.describe.bench import Bench
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.results.store.store import Store

PathLike = str | os.PathLike[str]
Amount = str | float
"""A quantity as files have it ("120 mA"), or a number in the base unit (0.12)."""


class Seat(Sitting):
    """A sitting at the bench, with the steps that a program asks for most. Everything else: `step(do=…, …)`.

    on: the supplies that are on, as of the last step, name -> (V, limit in A). ended_by: why no further step is taken,
    "" while one may be. result: once the block is left, the run's record, what broke it off, and whether the outputs
    are off.
    """

    def __init__(self, board: Board, *, title: str = SCRIPT, kept: _Kept | None = None, **options: Any) -> None:
        super().__init__(empty(board, title), **options)
        self._kept = kept

    def __enter__(self) -> Self:
        if self._kept is not None:
            self._store = self._kept.open()
        return super().__enter__()

    def close(self, error: BaseException | None = None) -> None:
        """Everything off, whatever happened; a second call does nothing. Raises OutputsOn where it is not confirmed."""
        try:
            super().close(error)
        finally:
            if self._kept is not None:
                self._kept.close()

    def check(self, of: str | Sequence[str], expect: Amount | None = None) -> Step:
        """Unpowered resistance to ground, ohms, both polarities: the check for a short that `power` asks for.

        of: supplies, rails, lines, points or nets. expect: such as "> 1 kΩ"; a number is the least. Default: > 100 Ω.
        Raises Refused with a supply on.
        """
        least = f"> {expect!r} Ω" if isinstance(expect, int | float) else expect
        return self.step(do="resistance", of=of, expect=least)

    def power(
        self,
        supply: str,
        *,
        limit: Amount | None = None,
        volts: Amount | None = None,
        expect: str | None = None,
        trip: Amount | None = None,
        ramp: str | None = None,
        why: str | None = None,
        **more: object,
    ) -> Step:
        """One supply on. limit, trip: A; volts: V, the board's nominal where not given; expect: the current once it has
        settled, such as "< 40 mA"; ramp: such as "0.5 V every 20 ms"; why: the reason, where its check for a short has
        not run. Raises Refused (nothing was switched on), Tripped (the guard has cut the power), BenchError."""
        given = {"limit": _told(limit, "A"), "volts": _told(volts, "V"), "trip": _told(trip, "A"), "why": why or None}
        return self.step({"do": "power on", "supply": supply, "expect": expect, "ramp": ramp, **given, **more})

    def read(self, point: str, *, expect: str | None = None, load: Amount | None = None) -> Reading:
        """Volts to ground at a point, line, rail, supply or net, as the bench is now: value and standard uncertainty u
        in V. expect: limits such as "1.7 .. 1.9 V", or "circuit" for what the circuit's tolerances give; then the
        reading has an outcome. load: a resistor from the point to ground, Ω. Raises Refused with no supply on."""
        self._live()
        if not self.on:
            raise Refused(f"volts of {point} with no supply on; `check` reads ohms without power")
        if expect is None:
            step = self.step(do="probe", of=point, load=_told(load, "Ω"), name=f"read {point}")
        else:
            limits = None if expect == "circuit" else expect
            step = self.step(do="volts", of=[point], name=f"read {point}", load=load is not None, expect=limits)
        if not step.readings:
            raise Refused(f"{point} cannot be read: {step.says or 'no probe reaches it'}")
        return step.readings[0]

    def drive(self, pin: str, level: str) -> Step:
        """A pin of the processor high, low, or off again, over the console; kept until the power goes."""
        return self.step(do="drive", pin=pin, level=level, keep=True)


def _told(value: Amount | None, unit: str) -> str | None:
    return f"{value!r} {unit}" if isinstance(value, int | float) else value


class _Kept:
    """A store that is opened with the bench and closed after it."""

    def __init__(self, place: PathLike) -> None:
        self._place = place
        self._store: Store | None = None

    def open(self) -> Store:
        from wakeboard.results.store.store import Store

        self._store = Store.open(os.fspath(self._place))
        return self._store

    def close(self) -> None:
        if self._store is not None:
            self._store.close()
            self._store = None


def at_bench(
    board: Board | PathLike,
    *,
    unit: str,
    bench: Bench | PathLike | None = None,
    plants: Sequence[str] | None = None,
    store: Store | PathLike | None = None,
    energise: bool = False,
    patience: float = PATIENCE,
    title: str = SCRIPT,
    operator: str | None = None,
) -> Seat:
    """A unit at the bench, as a context manager: opened by `with`, everything off at its end whatever happens.

    board: a board or its file. bench: a bench or its file; None: the virtual bench. plants: faults in the virtual
    board; None: what units.toml beside the board has for the unit. store: where the run is kept (a store, a file, a
    URL); None: nowhere. energise: stands for the key of a person at a real bench: without it nothing is switched on
    there. patience: s that the program may be silent while power is on; then the guard cuts it. (A notebook's Interrupt
    reaches a cell that runs, and no idle kernel: there it is `off()` in a cell, or a restart.) title: the run's.

    Raises FileProblems here; BenchError when the bench is opened; OutputsOn at the end where an output is not off.
    """
    from wakeboard.harness.script.given import a_bench, a_board, faults_of

    described = a_board(board)
    real = a_bench(bench, described)
    kept = _Kept(store) if isinstance(store, str | os.PathLike) else None
    return Seat(
        described,
        title=title,
        kept=kept,
        unit=unit,
        described=real,
        plants=faults_of(described, unit, plants, real),
        store=None if isinstance(store, str | os.PathLike) else store,
        energise=energise,
        patience=patience,
        operator_name=operator,
    )


def skep(folder: PathLike = "skep") -> Path:
    """The demo board's files (board, two sequences, what is planted in which unit) in a folder; where it has them
    already they are left as they are. Raises FolderTaken for a folder with other things in it."""
    from wakeboard.harness.demo.demo import lay_out

    place = Path(folder)
    if not (place / "board.toml").is_file():
        lay_out(place)
    return place
