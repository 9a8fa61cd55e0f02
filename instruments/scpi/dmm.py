"""A meter. Every reading carries its standard uncertainty, its range and whether it was an overload.

    dmm = Dmm(link, load_dmm("hp-34401a"))
    dmm.identify()
    reading = dmm.dc_volts(range=10)          Measurement(value=3.2996, unit="V", u=9.6e-05, range=10.0, …)
    dmm.accuracy("dc volts", 5.0, 10.0)       225e-6 V: half-width of the maker's one-year figure

The set-up and the reading go in one line where the meter takes compound lines; the set-up is left out while nothing
changes. With each reading the function and the range in force are asked: a person at the panel, another program or an
automatic range cannot lend a reading the wrong quantity or the wrong uncertainty.

What it can measure and how far a reading may be off is in meter.py.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from wakeboard.instruments.dialect import Asking, DmmDialect, Quantity, QuantityName
from wakeboard.instruments.errors import SettingError
from wakeboard.instruments.link.link import Link
from wakeboard.instruments.link.replies import ReplyError, number, searched, truth
from wakeboard.instruments.meter import UNITS, WITH_CURRENT, TableMeter
from wakeboard.instruments.ports import Measurement
from wakeboard.instruments.scpi.spoken import Spoken

FRESH = 2.2  # periods of a display
MAINS = 50.0  # Hz, the slower: for deadlines only


@dataclass(frozen=True, slots=True)
class _Setup:
    """What a reading is taken with; the set-up is said again when it differs from the last."""

    quantity: QuantityName
    range: float | None
    nplc: float | None
    count: int
    high_z: bool


class Dmm(Spoken[DmmDialect], TableMeter):
    """Raises LinkError, InstrumentFault, SettingError, DialectError."""

    def __init__(self, link: Link, dialect: DmmDialect) -> None:
        TableMeter.__init__(self, link.name, dialect)
        Spoken.__init__(self, link, dialect)
        self._setup: _Setup | None = None

    @property
    def drives_current(self) -> bool:
        """Whether the function set last sends a test current through the leads."""
        return self._setup is not None and self._setup.quantity in WITH_CURRENT

    def after_reopening(self) -> None:
        """The set-up is said again at the next reading."""
        self._setup = None

    # --- measuring --------------------------------------------------------------------------------------------------
    def measure(
        self, quantity: QuantityName, range: float | None = None, nplc: float | None = None, count: int = 1
    ) -> Measurement:
        """Any quantity that the dialect has, see the methods above."""
        spec = self.quantity(quantity)
        wanted = _Setup(
            quantity, self.range_for(quantity, range), self.nplc_for(quantity, nplc), max(1, count), self.high_z
        )
        for attempt in (1, 2):
            replies = self._exchange(spec, wanted)
            if self._function_fits(spec, replies):
                break
            self.after_reopening()
            if attempt == 2:
                raise SettingError(
                    f"{self.link.name} was set to {quantity} and says that it measures {replies['function']}",
                    instrument=self.link.name,
                )
        return self._measurement(spec, wanted, replies)

    def _exchange(self, spec: Quantity, wanted: _Setup) -> dict[str, str]:
        """One line: the set-up where it changed, the reading, what function and range it was taken with."""
        once = wanted.count if self._one_by_one else 1
        values = self._values(spec, wanted)
        extra = {
            key: each
            for key, each in (("function", self.dialect.function if spec.function else None), ("range", spec.range))
            if each is not None
        }
        reading = spec.read.model_copy(update={"timeout": None})
        timeout = self.link.timeout
        self.link.timeout = timeout + self._patience(wanted)
        try:
            if self._setup != wanted:
                self.after_reopening()
                lines = self._setup_lines(spec, wanted, values)
                if self.dialect.periods:
                    self.speaker.group(lines, [], values)
                    lines = []
                self._wait_for_display(values)
                first = self.speaker.group(lines, [reading, *extra.values()], values)
            else:
                self._wait_for_display(values)
                first = self.speaker.ask([reading, *extra.values()], values)
            more = [self._next(reading, values) for _ in range(once - 1)]
        finally:
            self.link.timeout = timeout
        self._setup = wanted
        return {"reading": ",".join([first[0], *more]), **dict(zip(extra, first[1:], strict=True))}

    @property
    def _one_by_one(self) -> bool:
        """Whether several readings are asked one after another."""
        return self.dialect.returns_last or not self.dialect.count

    def _next(self, reading: Asking, values: dict[str, object]) -> str:
        self._wait_for_display(values)
        return self.speaker.ask([reading], values)[0]

    def _wait_for_display(self, values: dict[str, Any]) -> None:
        """A free-running display shows what it began to measure before now: two periods make it fresh."""
        periods = self.dialect.periods
        if periods:
            slow = min(periods, key=lambda each: abs(math.log(float(each) / values["nplc"])))
            self.link.clock.sleep(FRESH * periods[slow])

    def _setup_lines(self, spec: Quantity, wanted: _Setup, values: dict[str, object]) -> list[str]:
        lines = [*(spec.auto if wanted.range is None and spec.auto else spec.setup)]
        if wanted.nplc is not None:
            lines += spec.nplc
        if wanted.quantity == "dc volts":
            lines += self.dialect.high_z if wanted.high_z else self.dialect.low_z
        lines += self.dialect.count
        return [each.format(**values) for each in lines]

    def _values(self, spec: Quantity, wanted: _Setup) -> dict[str, object]:
        nplc = self.dialect.default_nplc if wanted.nplc is None else wanted.nplc
        words = self.dialect.rate_words
        rate = min(words, key=lambda each: abs(math.log(float(each) / nplc))) if words else ""
        return {
            "range": wanted.range or 0.0,
            "nplc": nplc,
            "index": spec.ranges.index(wanted.range) if wanted.range in spec.ranges else 0,
            "rate": words.get(rate, ""),
            "count": wanted.count,
        }

    def _patience(self, wanted: _Setup) -> float:
        """s that a reading may take on top of the link's timeout: integration, zero reading, finding a range."""
        nplc = self.dialect.default_nplc if wanted.nplc is None else wanted.nplc
        slow = 5.0 if wanted.quantity in ("ac volts", "frequency") else 1.0
        return 2.5 * wanted.count * nplc / MAINS + slow * wanted.count

    def _function_fits(self, spec: Quantity, replies: dict[str, str]) -> bool:
        if "function" not in replies or spec.function is None:
            return True
        try:
            searched(replies["function"].strip().strip("\"'"), spec.function)
        except ReplyError:
            return False
        return True

    # --- values -----------------------------------------------------------------------------------------------------
    def _measurement(self, spec: Quantity, wanted: _Setup, replies: dict[str, str]) -> Measurement:
        time = self.link.clock.now()
        question = spec.read
        values = [self._number(question, each) for each in self._numbers(question, replies["reading"], wanted)]
        in_force = wanted.range
        if "range" in replies and spec.range is not None:
            asked = spec.range
            in_force = self.speaker.read(asked, replies["range"], lambda text: number(text, asked.reply))
        unit = UNITS[wanted.quantity]
        over = next((each for each in values if abs(each) >= self.dialect.overload * 0.999), None)
        if over is not None:
            sign = -1.0 if over < 0 else 1.0
            return Measurement(
                sign * math.inf, unit, math.inf, in_force, True, time, wanted.quantity, len(values), math.inf
            )
        mean = math.fsum(values) / len(values)
        scatter = _scatter(values, mean)
        u = self.uncertainty(wanted.quantity, mean, in_force, wanted.nplc, scatter, len(values))
        return Measurement(mean, unit, u, in_force, False, time, wanted.quantity, len(values), scatter)

    def _numbers(self, question: Asking, reply: str, wanted: _Setup) -> list[str]:
        texts = [each for each in reply.split(",") if each.strip()]
        if len(texts) != wanted.count:
            self.link.garbled(question.send, reply, f"{wanted.count} readings were asked")
        return texts

    def _number(self, question: Asking, text: str) -> float:
        return self.speaker.read(question, text, lambda each: number(each, question.reply))

    # --- the rest ---------------------------------------------------------------------------------------------------
    def told(self, what: str) -> object:
        """ "terminals", "calibrated", "input", "mains", see below; None where the meter does not know the question."""
        ask = {"input": self.says_high_z, "mains": self.mains, "calibrated": self.calibrated}
        return self.speaker.if_known(what, {**ask, "terminals": self.terminals}[what])

    def terminals(self) -> str | None:
        """ "front" or "rear" where the meter tells which terminals are switched on."""
        question = self.dialect.terminals
        if question is None:
            return None
        reply = self._told(question).strip().upper()
        return "front" if reply.startswith(("FRON", "1")) else "rear"

    def calibrated(self) -> str | None:
        """The calibration date as the meter writes it, where it tells."""
        question = self.dialect.calibrated
        return None if question is None else self._told(question).strip().strip('"')

    def says_high_z(self) -> bool | None:
        """Whether it says that its input is above 10 GΩ; None where it does not tell."""
        question = self.dialect.input
        if question is None:
            return None
        return self.speaker.read(question, self._told(question), lambda text: truth(text, question.reply))

    def mains(self) -> float | None:
        """The mains frequency that it integrates over, Hz; None where it does not tell."""
        question = self.dialect.mains
        return None if question is None else self._number(question, self._told(question))

    def _told(self, question: Asking) -> str:
        return self.speaker.ask([question], {})[0]

    def errors(self) -> list[tuple[int, str]]:
        """Take what the error queue holds: [(number, text)]."""
        return self.speaker.errors()

    def close(self) -> None:
        self.link.close()


def _scatter(values: Sequence[float], mean: float) -> float:
    """Sample standard deviation; 0 for one value."""
    if len(values) < 2:
        return 0.0
    return math.sqrt(math.fsum((each - mean) ** 2 for each in values) / (len(values) - 1))
