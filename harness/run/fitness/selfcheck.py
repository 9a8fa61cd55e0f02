"""Is the bench fit to judge a board? What `wakeboard bench` looks at; before a run: atrest.py and wiring.py.

for check in check_instruments(described): ...         reach, identity, dialect, calibration date, reply time
"""

from __future__ import annotations

import datetime
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from wakeboard.harness.run.bench.calibration import check_calibration
from wakeboard.harness.run.fitness.budget import Timed, time_supply
from wakeboard.harness.run.fitness.trying import try_settings, try_switching
from wakeboard.instruments.errors import BenchError
from wakeboard.instruments.link.lock import not_kept_out
from wakeboard.instruments.ports import Shot, View
from wakeboard.instruments.scpi.dmm import Dmm
from wakeboard.instruments.scpi.psu import Psu
from wakeboard.instruments.scpi.scanner import Scanner
from wakeboard.instruments.scpi.scope import Scope
from wakeboard.results.counted import count
from wakeboard.results.visible import visible

if TYPE_CHECKING:
    from wakeboard.harness.describe.bench import Bench, Instrument, Probing
    from wakeboard.harness.run.bench.bench import OpenBench
    from wakeboard.instruments.scpi.opening import Driver

ON = "output {} is ON: `wakeboard off BENCH` switches everything off"
OFF_VOLTS = 1.0  # V on an output that is off: above what its own capacitors leave within seconds
ASKS = 10  # questions for the reply time
HARMLESS_OHMS = 1e6  # Ω: the range on which `bench` tries the ohms form; meters test with 5 to 10 µA there
SOON = datetime.timedelta(days=30)  # before a calibration is over, it is told


@dataclass
class CheckedInstrument:
    """One instrument, as `wakeboard bench` tells it."""

    name: str
    kind: str
    address: str
    identity: str = ""
    dialect: str = ""
    ok: bool = False
    says: list[str] = field(default_factory=list)
    reply_s: float | None = None
    serial: tuple[str, str, str] = ("", "", "")  # maker, model, serial number
    cautions: list[str] = field(default_factory=list)
    unverified: list[str] = field(default_factory=list)  # keys of the dialect that no maker's page was found for
    timed: Timed | None = None
    on: list[str] = field(default_factory=list)  # outputs that are on before anything was done
    doubtful: list[str] = field(default_factory=list)  # outputs that say off and have volts on them

    def as_json(self) -> dict[str, object]:
        return {
            "name": self.name,
            "kind": self.kind,
            "address": self.address,
            "identity": self.identity,
            "dialect": self.dialect,
            "ok": self.ok,
            "says": "; ".join(self.says),
            "reply_s": self.reply_s,
            "cautions": self.cautions,
            "unverified": self.unverified,
            "on": self.on,
        }


def check_instruments(
    described: Bench,
    *,
    today: datetime.date | None = None,
    open_driver: Callable[[Instrument], Driver],
) -> Iterator[CheckedInstrument]:
    """Every instrument of a bench file in turn; one that fails says why, and the next is still looked at."""
    seen: list[CheckedInstrument] = []
    relays_last = sorted(described.instruments.values(), key=lambda each: each.kind == "scanner")
    for instrument in relays_last:  # they are moved when every output is seen to be off
        checked = CheckedInstrument(instrument.name, instrument.kind, instrument.address)
        try:
            began = time.perf_counter()
            driver = open_driver(instrument)
            opened = time.perf_counter() - began
            try:
                _look(checked, instrument, driver, opened)
                if isinstance(driver, Dmm):
                    _look_at_dmm(checked, driver, described.mains)
                elif isinstance(driver, Scope):
                    _look_at_scope(checked, instrument, driver)
                elif isinstance(driver, Scanner) and described.scanner is instrument:
                    _look_at_routes(checked, driver, described.probing.routes)
                    _switch(checked, driver, described.probing, seen)
            finally:
                driver.link.close()
            check_calibration(instrument, today)
            checked.ok = not checked.on and not checked.doubtful
            if checked.on:
                checked.says.insert(0, ON.format(", ".join(checked.on)))
            _soon_due(checked, instrument, today)
        except (BenchError, OSError) as error:
            checked.says.append(str(error))
        seen.append(checked)
        yield checked


def _look(checked: CheckedInstrument, instrument: Instrument, driver: Driver, opened: float) -> None:
    assert driver.identity is not None
    checked.identity = visible(driver.identity.text.strip())
    checked.serial = (driver.identity.maker, driver.identity.model, driver.identity.serial)
    checked.dialect = driver.dialect.name
    checked.unverified = list(driver.dialect.unverified)
    checked.cautions = list(driver.cautions() if isinstance(driver, Psu) else driver.dialect.cautions)
    checked.reply_s = reply_time(driver)
    checked.says.append(f"answers in {checked.reply_s * 1e3:.1f} ms")
    if isinstance(driver, Psu):
        _look_at_psu(checked, instrument, driver)
        checked.timed = time_supply(driver, list(instrument.feeds), opened=opened)
    else:  # a supply's cautions have these
        others = (driver.link.not_excluded, not_kept_out(instrument.address, driver.dialect.held is not None))
        checked.cautions += [each for each in others if each]
    if isinstance(driver, Scanner):
        _look_at_scanner(checked, driver)
    serial = visible(checked.serial[2])
    if instrument.identity is None and checked.serial[2] not in ("", "0"):
        checked.says.append(f'to be sure that it is this one: identity = "{serial}" in the bench file')
    if not instrument.due:
        checked.says.append("no calibration date in the bench file")


def _look_at_psu(checked: CheckedInstrument, instrument: Instrument, psu: Psu) -> None:
    """What is off and on; that it has the channels that the bench file names."""
    for channel in instrument.feeds:
        psu.limits(channel)  # DialectError for a channel that it has not got
    on = [channel for channel in psu.channels if psu.is_on(channel)]
    checked.on = [channel for channel in on if channel in instrument.feeds]
    _look_at_off(checked, psu, [channel for channel in instrument.feeds if channel not in on])
    if checked.doubtful:
        return
    if not on:
        checked.says.append("outputs off")
        checked.says += try_settings(psu, list(instrument.feeds))
    elif not checked.on:
        checked.cautions.append(f"output {', '.join(on)} is on; it feeds no supply of the board")


def _look_at_off(checked: CheckedInstrument, psu: Psu, off: Sequence[str]) -> None:
    """An output that claims to be off with volts on it is no output that is off."""
    for channel in off:
        volts, _ = psu.measure(channel)
        if abs(volts) > OFF_VOLTS:
            checked.doubtful.append(channel)
            checked.says.append(
                f"output {channel} says that it is off, and it reads {volts:.2f} V itself: it is on all the same, or "
                "something else feeds it; pull its leads and look"
            )


def _look_at_dmm(checked: CheckedInstrument, dmm: Dmm, mains_here: float | None) -> None:
    """The forms that a run uses, what it refuses is named by the driver; terminals, input, mains frequency and
    calibration date as the meter tells them. Ohms at a range whose test current is some microamperes, and volts again
    after it: no meter is left driving a current."""
    dmm.frequency(range=10.0)
    dmm.ohms(range=HARMLESS_OHMS)
    dmm.ac_volts(range=10.0)
    dmm.dc_volts(range=10.0, nplc=1.0)
    checked.says.append("takes DC and AC volts, frequency and ohms")
    if (terminals := dmm.told("terminals")) is not None:
        checked.says.append(f"{terminals} terminals")
    if dmm.told("input"):
        checked.says.append("its input was left above 10 GΩ")
    if isinstance(mains := dmm.told("mains"), int | float):
        wrong = mains_here is not None and abs(mains - mains_here) > 1.0
        beside = f", and the bench file says {mains_here:g} Hz: hum does not average out" if wrong else ""
        checked.says.append(f"integrates over {mains:g} Hz mains{beside}")
    if (told := dmm.told("calibrated")) is not None:
        checked.says.append(f"says that it was calibrated on {told}")


def _look_at_scanner(checked: CheckedInstrument, scanner: Scanner) -> None:
    if (volts := scanner.told("most_volts")) is not None:
        checked.says.append(f"its relays may carry {volts:g} V")


def _look_at_routes(checked: CheckedInstrument, scanner: Scanner, routes: Mapping[str, str]) -> None:
    """Each channel that the bench file routes, asked after. Raises BenchError for what it refuses."""
    closed = [channel for channel in routes.values() if scanner.is_closed(channel)]
    if errors := scanner.errors():
        told = ", ".join(f"{code} {text}" for code, text in errors[:2])
        raise BenchError(f"{checked.name} does not know a channel of the bench file's routes: {visible(told)}")
    checked.says.append(f"knows {count(len(routes), 'channel')} of the routes")
    if closed:
        checked.cautions.append(f"channel {', '.join(closed)} is closed")


def _switch(
    checked: CheckedInstrument, scanner: Scanner, probing: Probing, others: Sequence[CheckedInstrument]
) -> None:
    """A relay is moved only where nothing can flow through it, as far as this bench knows."""
    doubtful = [each.name for each in others if each.kind in ("psu", "dmm") and not each.ok]
    if doubtful or any("closed" in each for each in checked.cautions):
        why = f"{', '.join(doubtful)} is not as it should be" if doubtful else "a channel is closed"
        checked.says.append(f"switching is not tried: {why}")
    elif says := try_switching(scanner, probing):
        checked.says.append(says)


def _look_at_scope(checked: CheckedInstrument, instrument: Instrument, scope: Scope) -> None:
    """Its channels set as a run sets them, armed, and stopped: nothing of the board is touched. Raises BenchError."""
    channels = list(instrument.sees) or ["1"]
    scope.prepare(
        [View(channel, 0.0, 5.0, instrument.probe) for channel in channels], Shot(1e-3, 9e-3, channels[0], 2.5)
    )
    scope.arm()
    scope.stop()
    checked.says.append(f"takes channel {', '.join(channels)} and waits for a trigger")
    if not instrument.sees:
        checked.cautions.append("sees names no channel: no step looks at it")


def _soon_due(checked: CheckedInstrument, instrument: Instrument, today: datetime.date | None) -> None:
    if instrument.due is not None and instrument.due - (today or datetime.date.today()) <= SOON:
        checked.says.append(f"its calibration is due on {instrument.due.isoformat()}")


def check_distinct(checked: Sequence[CheckedInstrument]) -> None:
    """Two names of the bench file must not lead to one instrument; what does is marked as not ok."""
    seen: dict[tuple[str, str, str], CheckedInstrument] = {}
    for each in checked:
        if not each.ok or each.serial[2] in ("", "0"):
            continue
        first = seen.setdefault(each.serial, each)
        if first is not each:
            for one, other in ((first, each), (each, first)):
                one.ok = False
                one.says.append(f"the same instrument answers as {other.name}: serial number {visible(each.serial[2])}")


def reply_time(driver: Driver) -> float:
    """Median seconds for the identity question: the shortest that an exchange takes."""
    times = []
    for _ in range(ASKS):
        began = time.perf_counter()
        driver.link.query(driver.link.manners.identify)
        times.append(time.perf_counter() - began)
    return sorted(times)[ASKS // 2]


AGREE_SHARE, AGREE_VOLTS = 0.03, 0.15  # programming, readback, meter and the drop in the leads together


def check_supply_against_meter(bench: OpenBench, supply: str, supply_volts: float, meter_volts: float) -> None:
    """Two instruments on one net must agree, or one of them is wired or set otherwise than the bench file says."""
    allowed = AGREE_VOLTS + AGREE_SHARE * abs(supply_volts)
    if abs(supply_volts - meter_volts) > allowed:
        raise BenchError(
            f"the supply says {supply_volts:.3f} V at {supply} and the meter {meter_volts:.3f} V at the same net: "
            "a wrong channel or route, reversed leads, or a lead with a high resistance; nothing is known of the board",
            instrument=bench.meter_name,
        )


def find_instruments() -> list[CheckedInstrument]:
    """Whatever PyVISA lists on USB and LAN, each asked for its identity. Serial ports are listed and not asked: opening
    one raises DTR, which resets many a board, and what is sent would reach its console."""
    import warnings

    from wakeboard.instruments.link.resource import manager_of

    with warnings.catch_warnings():  # about discovery that needs further packages
        warnings.simplefilter("ignore")
        manager = manager_of(None)
        try:
            addresses = [each for each in manager.list_resources("?*") if each.endswith(("INSTR", "SOCKET"))]
        finally:
            manager.close()
    return [_serial(each) if each.startswith("ASRL") else _asked(each) for each in addresses]


def _serial(address: str) -> CheckedInstrument:
    return CheckedInstrument(
        "", "", address, says=["a serial port, not asked: name it in a bench file if an instrument is on it"]
    )


def _asked(address: str) -> CheckedInstrument:
    from wakeboard.instruments.dialect import dialect_names, pick_dialect
    from wakeboard.instruments.link.link import Link

    checked = CheckedInstrument("", "", address)
    try:
        with Link.open(address, name=address, timeout=1.0) as link:
            idn = link.query("*IDN?").strip()
        checked.identity = visible(idn)
        for kind in ("psu", "dmm", "scanner", "scope"):
            if dialect_names(kind):
                try:
                    checked.dialect, checked.kind = pick_dialect(idn, kind).name, kind
                    break
                except BenchError:
                    continue
        checked.ok = bool(checked.dialect)
        checked.says.append("" if checked.ok else "no dialect fits its identity")
    except (BenchError, OSError) as error:
        checked.says.append(str(error))
    return checked
