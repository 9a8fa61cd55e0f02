"""IPC-D-356: real files against an independent count, and what is wrong told with line and column."""

from __future__ import annotations

from pathlib import Path

import pytest

from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.drawings.readers import read
from wakeboard.harness.drawings.source import from_bytes, opened

SAMPLE = """C  a sample written for this project
P  JOB   SAMPLE
P  UNITS CUST 1
P  NNAME1 A_NET_WITH_A_LONG_NAME
317GND              J1    -1    D1000PA00X+001000Y+002000X1700Y1700     S3
327NNAME1           R1    -1          A01X+010000Y+005000X0800Y0900R090 S1
327GND              R1    -2          A01X+011600Y+005000X0800Y0900R090 S1
327N/C              U1    -4          A02X+020000Y+005000X0500Y1000     S2
327A_NET            U1    -GPIO17     A02X+022000Y+005000X0500Y1000     S2
317GND              VIA         D0300PA00X+015000Y+005000X0600Y0600     S0
379GND              A_NET
389BOARD_EDGE       X0Y0 X30000 Y20000 X0 Y0
999
"""


def text(sample: str) -> object:
    return read(from_bytes("board.ipc", sample.encode()))


def test_real_files_are_read_without_loss(formats: Path) -> None:
    """Counts by another program, from the notes on formats; its nets count the names for "no net" too."""
    small = read(opened(formats / "small-board.ipc"))
    four = read(opened(formats / "four-layer.ipc"))
    assert small.counts() | {"nets": 17, "parts": 21, "pads": 105, "vias": 14} == small.counts()
    assert four.counts() | {"nets": 70, "parts": 103, "pads": 515, "vias": 241} == four.counts()
    assert [name for name in four.parts if name.startswith("TP")] == ["TP1"]
    assert "A_REALLY_LONG_NET_NAME" in small.nets()
    assert "UNNAMED_2_CN2P_I277_N1" in four.nets()


def test_columns_units_and_sides() -> None:
    design = read(from_bytes("board.ipc", SAMPLE.encode()))
    assert design.parts["R1"].pins == {"1": "A_NET_WITH_A_LONG_NAME", "2": "GND"}
    pad = next(pad for pad in design.pads if pad.part == "R1" and pad.pin == "1")
    assert (pad.x, pad.y, pad.width, pad.height, pad.rotation, pad.side) == (10.0, 5.0, 0.8, 0.9, 90.0, "top")
    assert [pad.side for pad in design.pads if pad.part == "U1"] == ["bottom", "bottom"]
    assert design.parts["U1"].pins == {"GPIO17": "A_NET"}, "an unconnected pin is on no net; a long pin name runs over"
    assert design.adjacent == [("GND", "A_NET")]
    assert design.outline[0][2] == (30.0, 20.0)
    assert design.parts["J1"].said["pins"].line == 5


def test_tenths_of_mils_are_millimetres() -> None:
    design = read(from_bytes("b.ipc", SAMPLE.replace("CUST 1", "CUST 0").encode()))
    assert design.pads[0].x == pytest.approx(1000 * 0.00254)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("CUST 1", "CUST 7", 'board.ipc:3: column 10: found "CUST 7"'),
        ("317GND              J1 ", "317A_NET_OF_MORE_THAJ1 ", "board.ipc:5: column 18"),
        ("A01X+010000Y+005000", "A01X+0100", "board.ipc:6: column 32"),
        ("327GND              R1    -2", "327GND              R1    -1", "board.ipc:7: column 4: found R1.1 on"),
        ("379GND", "GARBAGE", "board.ipc:11: column 1"),
    ],
)
def test_what_is_wrong_is_told_with_line_and_column(old: str, new: str, says: str) -> None:
    with pytest.raises(FileProblems) as raised:
        read(from_bytes("board.ipc", SAMPLE.replace(old, new).encode()))
    assert says in str(raised.value)


@pytest.mark.parametrize(
    "raw", [b"", b"\x00\x01\x02" * 100, b"hello\nworld\n", b"\xff\xfe\x00", b"\x1f\x8b broken", b"PK\x03\x04 no"]
)
def test_what_no_reader_knows_is_refused(raw: bytes) -> None:
    with pytest.raises(FileProblems):
        read(from_bytes("x", raw))
