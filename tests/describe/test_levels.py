"""Level standards against the published numbers (sources in sequences/levels.toml and beside each check)."""

import pytest

from wakeboard.harness.describe.board.levels import LevelError, line_thresholds, standards, thresholds
from wakeboard.harness.describe.load import load_board
from wakeboard.harness.describe.problems import FileProblems
from wakeboard.instruments.quantity import Interval, parse_interval


# JESD8C.01 (3.3 V), JESD8-5A.01 (2.5 V, from memory), JESD8-7A (1.8 V: 0.35, 0.65 VDD, which is 0.63 and 1.17 V)
@pytest.mark.parametrize(
    ("standard", "rail", "low", "high", "output_low", "output_high"),
    [
        ("lvcmos-3v3", 3.3, 0.8, 2.0, 0.4, 2.4),
        ("lvcmos-3v3", 3.0, 0.8, 2.0, 0.4, 2.4),
        ("lvcmos-3v3", 3.6, 0.8, 2.0, 0.4, 2.4),
        ("lvcmos-2v5", 2.5, 0.7, 1.7, 0.7, 1.7),
        ("lvcmos-1v8", 1.8, 0.63, 1.17, 0.45, 1.35),
        ("ttl", 5.0, 0.8, 2.0, 0.4, 2.4),
    ],
)
def test_jedec(standard, rail, low, high, output_low, output_high):
    found = thresholds(standard, rail)
    assert (found.low_max, found.high_min) == (pytest.approx(low), pytest.approx(high))
    assert (found.output_low, found.output_high) == (pytest.approx(output_low), pytest.approx(output_high))
    assert found.output_current in (0.002, 0.004)


def test_noise_margins():
    """At nominal: 0.4 V and 0.4 V for 3.3 V, 0.18 V and 0.18 V for 1.8 V (derived, published)."""
    for standard, margin in (("lvcmos-3v3", 0.4), ("lvcmos-1v8", 0.18)):
        found = thresholds(standard)
        assert found.low_max - found.output_low == pytest.approx(margin)
        assert found.output_high - found.high_min == pytest.approx(margin)


# TI SN74HC240, SCLS128H, recommended operating conditions
@pytest.mark.parametrize(("rail", "low", "high"), [(2.0, 0.5, 1.5), (4.5, 1.35, 3.15), (6.0, 1.8, 4.2)])
def test_74hc(rail, low, high):
    found = thresholds("74hc", rail)
    assert (found.low_max, found.high_min) == (pytest.approx(low), pytest.approx(high))


def test_74hc_between_its_table_rows():
    assert thresholds("74hc", 5.25).low_max == pytest.approx((1.35 + 1.8) / 2)


# NXP UM10204: 0.3 and 0.7 VDD; VOL 0.4 V at 3 mA above 2 V, 0.2 VDD at 2 V and below
def test_i2c():
    found = thresholds("i2c", 3.3)
    assert (found.low_max, found.high_min) == (pytest.approx(0.99), pytest.approx(2.31))
    assert (found.output_low, found.output_current) == (0.4, 0.003)
    assert thresholds("i2c", 1.8).output_low == pytest.approx(0.36)


# Microchip: ATmega328PB section 33.2 (RESET 0.1 and 0.9 VCC), SAM D21 section 37.9 (0.3 and 0.55 VDD)
def test_processors():
    assert thresholds("atmega328pb-reset", 5.0).high_min == pytest.approx(4.5)
    assert thresholds("atmega328pb", 5.0).high_min == pytest.approx(3.0)
    assert thresholds("samd21", 3.3).high_min == pytest.approx(1.815)


def test_every_entry_has_its_source_and_holds_somewhere():
    for name, entry in standards().items():
        assert entry["source"]
        assert entry["mark"] in ("published", "secondary", "memory")
        for band in entry["band"]:
            rail = band["rail"]
            ends = parse_interval(rail, "V") if isinstance(rail, str) else Interval(2.0, 6.0)
            for volts in (ends.low, ends.high):
                found = thresholds(name, volts)
                assert 0 < found.low_max < found.high_min < volts


def test_levels_of_a_voltage():
    found = thresholds("lvcmos-3v3", 3.3)
    assert [found.level(volts) for volts in (0.0, 0.8, 0.81, 1.99, 2.0, 3.3)] == [
        "low",
        "low",
        "undefined",
        "undefined",
        "high",
        "high",
    ]
    assert found.limits("low") == Interval(None, 0.8)
    assert found.limits("high") == Interval(2.0, None)


@pytest.mark.parametrize(
    ("standard", "rail", "hint"), [("lvcmos-3v4", 3.3, "lvcmos-3v3"), ("lvcmos-3v3", 5.0, ""), ("i2c", None, "rail")]
)
def test_levels_that_do_not_hold(standard, rail, hint):
    with pytest.raises(LevelError) as caught:
        thresholds(standard, rail)
    assert hint in caught.value.hint


def test_a_line_takes_the_rail_of_its_driver(folder):
    board = load_board(folder / "board.toml")
    assert line_thresholds(board, board.lines["SDA"]).high_min == pytest.approx(0.7 * 3.3)
    folder.edit("board.toml", 'driven_by = "U1.SDA"\n', "")
    board = load_board(folder / "board.toml")  # the chips on the net tell as well
    assert line_thresholds(board, board.lines["SDA"]).high_min == pytest.approx(0.7 * 3.3)


def test_a_line_with_thresholds_of_its_own(folder):
    folder.edit("board.toml", 'levels = "lvcmos-3v3"', 'levels = { low = "< 0.5 V", high = "> 1.2 V" }')
    board = load_board(folder / "board.toml")
    found = line_thresholds(board, board.lines["RST"])
    assert (found.low_max, found.high_min, found.source) == (0.5, 1.2, "board file")


def test_a_rail_with_a_range_only_has_the_volts_of_the_supply_that_it_passes_on(tmp_path):
    """74HC: V_IH = 0.7 V_CC, here of the 5 V that a fuse passes on; a converter's output is left alone."""
    board = """
board = { name = "A", revision = "A" }
supplies.IN = { net = "VIN", volts = "5 V", range = "4.5 .. 5.5 V" }
rails.FUSED = { net = "VF", from = "IN", range = "RANGE" }
lines.DOOR = { net = "DOOR", levels = "74hc", rail = "FUSED", when = { boot = "high" } }
"""
    file = tmp_path / "board.toml"
    file.write_text(board.replace("RANGE", "4.4 .. 5.5 V"), encoding="utf-8")
    read = load_board(file)
    assert line_thresholds(read, read.lines["DOOR"]).high_min == pytest.approx(0.7 * 5.0)
    file.write_text(board.replace("RANGE", "3.0 .. 3.6 V"), encoding="utf-8")
    with pytest.raises(FileProblems, match='at "FUSED", which has no `volts`'):
        load_board(file)
