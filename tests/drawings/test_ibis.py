"""IBIS: what rests in the tables, against hand calculation and against another reader of the format."""

from __future__ import annotations

from pathlib import Path

import pytest

from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.drawings.design import ChipFile
from wakeboard.harness.drawings.readers import read
from wakeboard.harness.drawings.source import from_bytes, opened
from wakeboard.instruments.quantity import parse, parse_value

HERE = Path(__file__).parent


def chip(file: Path) -> ChipFile:
    return read(opened(file)).chips[0]


def test_pulls_of_the_sample_models_are_what_their_tables_say(formats: Path) -> None:
    """By hand: 5 V / 1.12471 mA = 4.446 kΩ; 1 V / 30 µA = 33.3 kΩ; 10 V / 200 mA = 50 Ω. All within 5 %."""
    pull = chip(formats / "device_clamp_ref.ibs").pins["1"].io
    assert parse(pull["pull_down"], "Ω") == pytest.approx(5 / 1.12471e-3, rel=0.05)
    assert parse(chip(formats / "bushold.ibs").pins["1"].io["pull_ohms"], "Ω") == pytest.approx(1 / 30e-6, rel=0.05)
    assert parse(chip(formats / "sterm.ibs").pins["1"].io["pull_ohms"], "Ω") == pytest.approx(50, rel=0.05)


def test_a_pin_without_a_pull_states_that_it_has_none(formats: Path) -> None:
    # invented chip file: its own figures come back
    pins = chip(formats / "cbt.ibs").pins
    assert pins["1"].io["pulls"] == "none"
    assert (pins["1"].low_max, pins["1"].high_min) == (0.8, 2.0)
    assert not pins["1"].io["clamp"], "it has a diode from ground and none to its rail"
    assert (pins["12"].role, pins["24"].role) == ("ground", "power")


def test_drive_by_the_slope_at_zero(formats: Path) -> None:
    """OUT of the sample around 0 V, by hand from its two rows beside 0 V."""
    rows = [line.split() for line in (formats / "device_clamp_ref.ibs").read_text().splitlines()[205:260]]
    table = [(float(r[0]), r[1]) for r in rows if len(r) == 4 and r[0].lstrip("-").replace(".", "").isdigit()]
    amps = {volts: float(text[:-2]) * {"m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12}[text[-2]] for volts, text in table}
    above = min(volts for volts in amps if volts > 0)
    at = max(volts for volts in amps if volts <= 0)
    by_hand = (above - at) / (amps[above] - amps[at])
    assert parse(chip(formats / "device_clamp_ref.ibs").pins["2"].io["ohms"], "Ω") == pytest.approx(by_hand, rel=0.05)


def test_pins_are_those_that_another_reader_finds(formats: Path) -> None:
    ibs = pytest.importorskip("ecdtools.ibis", reason="ecdtools, another reader of IBIS, is not installed")
    for name in ("cbt.ibs", "dclampst.ibs", "bushold.ibs", "sterm.ibs"):
        component = ibs.load_file(str(formats / name)).components[0]
        theirs = {pin.name: pin.signal_name for pin in component.pins}
        assert theirs == {number: pin.signal for number, pin in chip(formats / name).pins.items()}


def test_corners_become_a_tolerance_and_active_low_a_name() -> None:
    # invented chip file: 13 kΩ from its table, corners ± 20 %
    value = parse_value(chip(HERE / "radio.ibs").pins["2"].io["pull_up"], "Ω")
    assert value.nominal == pytest.approx(13e3, rel=0.01)
    assert value.tolerance == pytest.approx(0.2, abs=0.01)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("-253.85uA", "-253.85uA7x?", "radio.ibs:42: column 8"),
        ("2      /RST          RST_IN", "2 /RST", "radio.ibs:14"),
        ("[Pin]", "[Pix]", "no component with pins"),
    ],
)
def test_mistakes_are_told_with_line_and_column(old: str, new: str, says: str) -> None:
    text = (HERE / "radio.ibs").read_text()
    assert old in text
    with pytest.raises(FileProblems) as raised:
        read(from_bytes("radio.ibs", text.replace(old, new).encode()))
    assert says in str(raised.value)
