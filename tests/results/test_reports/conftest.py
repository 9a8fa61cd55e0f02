"""Five units of Skep on paper: runs with readings such as its first power-on gives, for reports and comparisons.

The numbers are made up to be plausible (a 47 kΩ pull-down against a hidden 13 kΩ pull-up reads 2.58 V), with a seeded
spread between units. Nothing here is a result of a measurement.
"""

from __future__ import annotations

import hashlib
import random
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

from wakeboard.results.records import (
    InstrumentUsed,
    Reading,
    Rework,
    RunRecord,
    RunStart,
    Step,
    SupplyTrace,
    Trace,
    Trip,
)

SUPPLIES = {"USB": ("VUSB", 5.0), "CELL": ("VBAT", 3.7), "PANEL": ("VPANEL", 6.0)}
LINES = {  # net: (nominal volts in state boot, expected level)
    "MCU_RST": (3.29, "high"),
    "BOOT": (0.004, "low"),
    "RADIO_RST": (2.585, "low"),
    "RADIO_IRQ": (0.005, "low"),
    "SENS_EN": (0.002, "low"),
    "RF_EN": (0.002, "low"),
    "CHG_EN": (0.002, "low"),
    "FLASH_CS": (3.29, "high"),
    "FLASH_WP": (3.29, "high"),
    "SCALE_SCK": (0.002, "low"),
    "SDA": (3.18, "high"),
    "SCL": (3.18, "high"),
    "USB_DET": (2.49, "high"),
    "CON_TX": (3.29, "high"),
    "CON_RX": (3.29, "high"),
}
STATES = {
    "USB": "USB=5V@120mA; load=10MΩ",
    "CELL": "CELL=3.7V@120mA; load=10MΩ",
    "PANEL": "PANEL=6V@120mA; load=10MΩ",
}
FED = {  # rails and the other supplies with one supply on: (VIN, VSYS, +3V3)
    "USB": (4.63, 4.34, 3.302),
    "CELL": (0.01, 3.68, 3.301),
    "PANEL": (5.64, 5.36, 3.302),
}
START = 1_790_000_000.0


@dataclass
class Unit:
    """What is wrong with a unit, as changes to its readings: (supply, net) -> volts, or the net alone for lines."""

    serial: str
    changes: dict[object, float] = field(default_factory=dict)
    ohms: dict[str, float] = field(default_factory=dict)
    amps: dict[str, float] = field(default_factory=dict)
    stops_after: int | None = None
    trips: bool = False

    def __post_init__(self) -> None:
        self.random = random.Random(self.serial)

    def near(self, value: float, share: float = 0.004) -> float:
        return value * (1 + share * self.random.gauss(0, 1)) + 2e-4 * self.random.random()


def judged(value: float, low: float | None, high: float | None, u: float) -> str:
    guard = 2 * u
    if (low is not None and value < low - guard) or (high is not None and value > high + guard):
        return "fail"
    inside = (low is None or value > low + guard) and (high is None or value < high - guard)
    return "pass" if inside else "marginal"


def reading(
    of: str, quantity: str, value: float, unit: str, low: float | None, high: float | None, **more: Any
) -> Reading:
    u = {"V": 1.5e-4 + 4e-5 * abs(value), "A": 4e-5 + 5e-4 * abs(value), "Ω": 1e-3 * abs(value) + 0.02}[unit]
    more = {"instrument": "meter", "range": 10.0, "limits_from": "board", **more}
    outcome = judged(value, low, high, u)
    return Reading(of, quantity, value, unit, u, low, high, outcome, **more)


def worst(readings: list[Reading]) -> str:
    found = {r.outcome for r in readings}
    return next((o for o in ("error", "tripped", "fail", "marginal", "pass") if o in found), "skipped")


def inrush(unit: Unit, supply: str, volts: float, amps: float, trips: bool) -> Trace:
    """The guard's samples of a ramp of 0.5 V every 20 ms: charging current, then the load; a short holds the limit."""
    times, volt, amp, mode = [], [], [], []
    for index in range(100):
        t = index * 0.01
        at = min(volts, 0.5 * (1 + int(t / 0.02)))
        surge = 0.028 if at < volts and index % 2 == 0 else 0.0
        load = amps * min(1.0, at / volts) ** 2
        shorted = trips and at > 2.0
        times.append(round(t, 3))
        volt.append(0.9 if shorted else at)
        amp.append(0.12 if shorted else max(0.0, surge + load + 2e-4 * unit.random.gauss(0, 1)))
        mode.append("cc" if shorted else "cv")
        if shorted and index > 14:
            times.append(round(t + 0.01, 3))
            volt.append(0.0)
            amp.append(0.0)
            mode.append("off")
            break
    return Trace({supply: SupplyTrace(times, volt, amp, [0.12] * len(times), mode)})


TRAFFIC = [
    (0.001, "supply", ">", "*IDN?"),
    (0.003, "supply", "<", "Invented,PS-3 <b>&\"',SN0042,1.7"),
    (0.01, "supply", ">", "VOLT 5;:CURR 0.12;:VOLT?;:CURR?"),
    (0.013, "supply", "<", "5.000;0.120"),
    (0.02, "meter", ">", "MEAS:VOLT:DC? 10"),
    (0.09, "meter", "<", "+3.30212E+00"),
    (0.1, "meter", "!", "reopened after a timeout of 1 s"),
]


def resistances(unit: Unit) -> list[Step]:
    nets = {"VUSB": 41e3, "VBAT": 2e6, "VPANEL": 320e3}
    rails = {"VIN": 98e3, "VSYS": 68e3, "+3V3": 5.2e3, "+3V3_SENS": 12e3, "+1V8_RF": 88e3}
    steps = []
    for number, (name, of, least) in enumerate([("every supply", nets, 1e3), ("every rail", rails, 100.0)], start=1):
        found = [
            reading(net, "ohms", unit.ohms.get(net, unit.near(ohms, 0.02)), "Ω", least, None, limits_from="step")
            for net, ohms in of.items()
        ]
        steps.append(Step(number, f"resistance of {name}", "resistance", worst(found), 0.0, 4.0, found))
    return steps


def volts(unit: Unit, supply: str, net: str, nominal: float) -> float:
    planted = unit.changes.get((supply, net), unit.changes.get(net))
    return unit.near(nominal) if planted is None else planted


def power_on(unit: Unit, supply: str, number: int) -> Step:
    net, level = SUPPLIES[supply]
    amps = unit.amps.get(supply, unit.near(0.0112, 0.02))
    current = reading(
        net, "current", amps, "A", 0.003, 0.030, state=STATES[supply], instrument="supply", limits_from="step"
    )
    outcome = "tripped" if unit.trips else current.outcome
    trace = inrush(unit, supply, level, amps, unit.trips)
    says = "constant current for longer than the inrush allows" if unit.trips else ""
    found = [] if unit.trips else [current]
    return Step(
        number, f"power on {supply}", "power on", outcome, 10.0, 11.0, found, says, trace=trace, traffic=TRAFFIC
    )


def back_feed(unit: Unit, supply: str, number: int) -> Step:
    others = {net: 0.004 for name, (net, _) in SUPPLIES.items() if name != supply}
    off = {**others, "+3V3_SENS": 2.31, "+1V8_RF": 0.002}
    if supply == "CELL":
        off["VIN"] = 0.01
    found = [
        reading(net, "dc volts", volts(unit, supply, net, v), "V", None, 0.3, state=STATES[supply], limits_from="step")
        for net, v in off.items()
    ]
    return Step(number, f"back-feed, {supply} on", "back-feed", worst(found), 12.0, 15.0, found)


def rails(unit: Unit, supply: str, number: int) -> Step:
    vin, vsys, v33 = FED[supply]
    limits = {"VSYS": (vsys, 2.9, 6.8), "+3V3": (v33, 3.201, 3.399)}
    if supply != "CELL":
        limits = {"VIN": (vin, vin - 0.25, vin + 0.3), **limits}
    found = [
        reading(net, "dc volts", volts(unit, supply, net, v), "V", low, high, state=STATES[supply])
        for net, (v, low, high) in limits.items()
    ]
    return Step(number, f"rails, {supply} on", "rails", worst(found), 15.0, 18.0, found)


def line_steps(unit: Unit, number: int) -> Step:
    found: list[Reading] = []
    for net, (nominal, level) in LINES.items():
        value = volts(unit, "USB", net, nominal)
        low, high = (2.0, None) if level == "high" else (None, 0.8)
        more = {"state": STATES["USB"], "limits_from": "board"}
        found.append(reading(net, "dc volts", value, "V", low, high, says=f"expected {level}", **more))
        found.append(reading(net, "ac volts", 0.001, "V", None, None, **more))
        if net == "RADIO_RST" and 0.8 < value < 2.0 + 1:
            loaded = {**more, "state": "USB=5V@120mA; load=10kΩ"}
            found.append(reading(net, "dc volts", value * 0.4955, "V", None, None, says="second load", **loaded))
    detail = {
        "thresholds": {net: {"low": 0.8, "high": 2.0, "rail": 3.3, "expected": e} for net, (_, e) in LINES.items()}
    }
    return Step(number, "every line, boot", "line", worst(found), 18.0, 40.0, found, detail=detail)


def power_off(supply: str, number: int) -> Step:
    return Step(number, f"power off {supply}", "power off", "pass", 41.0, 42.0, says="discharged below 0.1 V in 0.4 s")


def first_power_on(unit: Unit) -> list[Step]:
    steps = resistances(unit)
    for supply in SUPPLIES:
        steps.append(power_on(unit, supply, len(steps) + 1))
        if unit.trips:
            break
        steps.append(back_feed(unit, supply, len(steps) + 1))
        steps.append(rails(unit, supply, len(steps) + 1))
        if supply == "USB":
            steps.append(line_steps(unit, len(steps) + 1))
        steps.append(power_off(supply, len(steps) + 1))
    last = unit.stops_after or (3 if unit.trips else len(steps))
    full = 2 + 5 + 4 + 4
    kept = steps[:last]
    skipped = [
        Step(n, f"step {n}", "rails", "skipped", 0, 0, says="the run had stopped") for n in range(last + 1, full + 1)
    ]
    return kept + skipped


def units() -> dict[str, Unit]:
    dark = {("USB", net): 0.003 for net in ("VSYS", "+3V3", "+3V3_SENS", *LINES)} | {
        ("PANEL", net): 0.003 for net in ("VSYS", "+3V3", "+3V3_SENS")
    }
    low = {"+3V3": 2.803, ("USB", "RADIO_RST"): 2.196, "+3V3_SENS": 1.84}
    return {
        unit.serial: unit
        for unit in (
            Unit("SK-A-001"),
            Unit("SK-A-002", {**dark, ("CELL", "VIN"): 3.41}, amps={"USB": 5e-5, "PANEL": 6e-5}),
            Unit("SK-A-003", ohms={"+3V3": 2.02}, stops_after=2),
            Unit("SK-A-004", low),
            Unit("SK-A-005", {"FLASH_CS": 0.62}),
        )
    }


INSTRUMENTS = (
    InstrumentUsed("supply", "psu", "Invented", "PS-3", "SN0042", "1.7", "TCPIP::192.0.2.10::5025::SOCKET", "plain",
                   "2026-01-12", "2027-01-12"),
    InstrumentUsed("meter", "dmm", "Invented <script>alert(1)</script>", "DM", "SN7", "2.0", "USB0::1::2::SN7::INSTR",
                   "meter", "2024-03-01", "2025-03-01"),
    InstrumentUsed("scanner", "scanner", "Invented", "SC-40", "SN9", "0.3", "GPIB0::9::INSTR", "plain"),
)  # fmt: skip

BOARD = """[board]
name = "Skep"
revision = "A"

[supplies]
USB = { net = "VUSB", volts = "5 V" }
CELL = { net = "VBAT", volts = "3.7 V" }
PANEL = { net = "VPANEL", volts = "6 V" }
"""


def record(unit: Unit, number: int, rework: tuple[Rework, ...] = (), started: float = START) -> RunRecord:
    steps = first_power_on(unit)
    outcomes = {step.outcome for step in steps}
    outcome = next((o for o in ("error", "tripped", "fail", "marginal") if o in outcomes), "pass")
    start = RunStart(
        unit=unit.serial,
        board_name="Skep",
        revision="A",
        board_text=BOARD,
        sequence_title="First power-on",
        sequence_text='title = "First power-on"\n',
        operator="M. Engineer & Söhne",
        software="wakeboard 0.1.0",
        host="bench-3",
        plants=("U5.NRST:pull_up=13k",),
        instruments=INSTRUMENTS,
        virtual=True,
    )
    trip = Trip("constant current", 3, "USB", 0.9, 0.12) if unit.trips else None
    return RunRecord(
        id=hashlib.sha256(f"{unit.serial} {number}".encode()).hexdigest()[:32],
        start=start,
        started=started,
        ended=started + 95.0,
        outcome=outcome,
        outputs_off=True,
        energised_s=0.16 if unit.trips else 62.0,
        trip=trip,
        steps=steps,
        rework=rework,
        hashes={"board": "b" * 64, "sequence": "c" * 64},
    )


@pytest.fixture(scope="session")
def skep_units() -> Callable[[], dict[str, Unit]]:
    """Makes the five units anew (their random numbers start over)."""
    return units


@pytest.fixture(scope="session")
def skep_runs() -> list[RunRecord]:
    """One first power-on of each of the five units."""
    return five_runs()


def five_runs() -> list[RunRecord]:
    return [record(unit, 0x1000 + n, started=START + 600 * n) for n, unit in enumerate(units().values())]


@pytest.fixture(scope="session")
def tripped_run() -> RunRecord:
    """A unit whose short appeared under voltage: the guard cut the power."""
    return record(Unit("SK-A-006", trips=True), 0x2000)


@pytest.fixture(scope="session")
def make_record() -> Callable[..., RunRecord]:
    """record(unit, number, rework=(), started=...)"""
    return record


@pytest.fixture(scope="session")
def make_unit() -> type[Unit]:
    return Unit


@pytest.fixture(scope="session")
def batch_runs() -> list[RunRecord]:
    """Forty production units after the design was mended; three fail at first, two of them pass after rework."""
    runs = []
    mended = {("USB", "RADIO_RST"): 0.31, "+3V3_SENS": 0.02}
    for n in range(40):
        serial = f"SK-B-{n + 1:03d}"
        unit = Unit(serial, dict(mended))
        unit.changes[("USB", "+3V3")] = 3.30 + 0.012 * unit.random.gauss(0, 1) + (0.02 if n > 30 else 0)
        unit.amps["USB"] = 0.0112 + 0.0006 * unit.random.gauss(0, 1)
        bad = {7: {"FLASH_CS": 0.4}, 19: {"SDA": 1.2}, 33: {("USB", "+3V3"): 3.46}}.get(n)
        broken = replace(unit, changes={**unit.changes, **bad}) if bad else unit
        runs.append(record(broken, 0x3000 + n, started=START + 100 * n))
        if n in (7, 19):
            fixed = Unit(serial, dict(unit.changes), amps=dict(unit.amps))
            done = (Rework("reflowed", number=1, at=START + 100 * n + 20),)
            runs.append(record(fixed, 0x4000 + n, done, started=START + 100 * n + 50))
    return runs


@pytest.fixture(scope="session")
def explanation() -> Mapping[str, Any]:
    """What `wakeboard explain --json` says of a unit (keys as documented; texts made up)."""
    return {
        "run": "1000",
        "candidates": [
            {
                "fault": "U5.NRST:pull_up=13k",
                "probability": 0.93,
                "accounts_for": [
                    "RADIO_RST dc volts, USB=5V@120mA",
                    "RADIO_RST dc volts, USB=5V@120mA; load=10kΩ to GND",
                ],
                "leaves": ["+3V3_SENS dc volts, USB=5V@120mA"],
                "u_relative": [0.05],
                "between": [[11880.0, 14310.0]],
                "ends": "its value: 11.9 kΩ to 14.3 kΩ (95 %)",
            },
            {
                "fault": "R31:value=165k",
                "probability": 0.04,
                "accounts_for": ["RADIO_RST dc volts"],
                "leaves": ["2 others"],
            },
            {"fault": "something not in this model", "probability": 0.03, "accounts_for": [], "leaves": []},
        ],
        "next": [
            {"point": "TP7", "quantity": "dc volts", "state": "USB=5V@120mA; load=10kΩ to +3V3", "bits": 0.61},
            {"point": "TP7", "quantity": "ohms", "state": "", "bits": 0.2},
        ],
        "lines": [
            {
                "line": "RADIO_RST",
                "kind": "divider",
                "source_volts": 2.585,
                "source_ohms": 10180.0,
                "pull_ohms": 13010.0,
                "pull_ohms_u": 190.0,
                "pull_to": "+3V3",
                "bodge": {
                    "low_ohms": 275.0,
                    "high_ohms": 3300.0,
                    "fit_ohms": 1000.0,
                    "across": "R31",
                    "to": "GND",
                    "says": "fit 1 kΩ from RADIO_RST to GND, across R31",
                    "rework": "RADIO_RST+GND:bridge=1k",
                    "after_volts": [0.2, 0.23, 0.26],
                },
            }
        ],
    }


@pytest.fixture(scope="session")
def stored_runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store that holds the five runs, made once: copy it, do not open it."""
    from wakeboard.results.store.store import Store

    path = tmp_path_factory.mktemp("skep") / "wakeboard.db"
    with Store.open(path) as store:
        for run in five_runs():
            keep(store, run)
    return path


@pytest.fixture
def store_with_runs(tmp_path: Path, stored_runs: Path) -> Iterator[Any]:
    """A real store that holds the five runs."""
    from wakeboard.results.store.store import Store

    path = tmp_path / "wakeboard.db"
    path.write_bytes(stored_runs.read_bytes())
    with Store.open(path) as store:
        yield store


def keep(store: Any, run: RunRecord) -> str:
    ident: str = store.begin_run(run.start)
    for step in run.steps:
        store.commit_step(ident, step)
    store.end_run(ident, run.outcome, run.outputs_off, run.energised_s, run.trip)
    return ident


@pytest.fixture(scope="session")
def keep_run() -> Callable[[Any, RunRecord], str]:
    """keep(store, record): writes a record into a store as a runner would; returns the new id."""
    return keep
