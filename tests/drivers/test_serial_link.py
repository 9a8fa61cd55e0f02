"""The link over a serial line: pyvisa-py's own serial class on a real pseudo-terminal.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import contextlib
import os
import select
import sys
import threading

import pytest

from wakeboard.instruments.conformance.suite import check_psu
from wakeboard.instruments.dialect import load_psu
from wakeboard.instruments.errors import LinkClosed, LinkError, LinkTimeout
from wakeboard.instruments.link.link import Link
from wakeboard.instruments.scpi.opening import open_psu

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")


class Line:
    """The instrument's end of a serial line: `answer(bytes)` gives the bytes to send back."""

    def __init__(self, answer):
        import pty
        import tty

        self.near, self.far = pty.openpty()
        tty.setraw(self.near)
        tty.setraw(self.far)
        self.address = f"ASRL{os.ttyname(self.far)}::INSTR"
        self.answer = answer
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self.serve, daemon=True)
        self.thread.start()

    def serve(self):
        while not self.stop.is_set():
            if select.select([self.near], [], [], 0.02)[0]:
                with contextlib.suppress(OSError):
                    reply = self.answer(os.read(self.near, 4096))
                    if reply:
                        os.write(self.near, reply)

    def end(self):
        self.stop.set()
        self.thread.join(5)
        for each in (self.near, self.far):
            with contextlib.suppress(OSError):
                os.close(each)


@pytest.fixture
def line():
    lines = []

    def start(answer):
        lines.append(Line(answer))
        return lines[-1]

    yield start
    for each in lines:
        each.end()


class TextSupply:
    """RND 320-KA syntax V3.0: no terminators; VSET1?, VOUT1? five characters; STATUS? one byte (0 CV, 6 output on)."""

    def __init__(self):
        self.volts, self.amps, self.on = 0.0, 0.1, False

    def __call__(self, data):
        text = data.decode()
        if text.startswith("VSET1:"):
            self.volts = float(text[6:])
        elif text.startswith("ISET1:"):
            self.amps = float(text[6:])
        elif text in ("OUT0", "OUT1"):
            self.on = text == "OUT1"
        return {
            "*IDN?": b"RND 320-KA3005P V1.3",
            "VSET1?": f"{self.volts:05.2f}".encode(),
            "ISET1?": f"{self.amps:.3f}".encode(),
            "VOUT1?": f"{self.volts if self.on else 0.0:05.2f}".encode(),
            "IOUT1?": b"0.000",
            "STATUS?": bytes([0x41 if self.on else 0x10]),
        }.get(text)


def test_text_protocol_without_terminators(line):
    supply = TextSupply()
    psu = open_psu(line(supply).address, name="supply", dialect="korad-ka3000", timeout=2.0)
    psu.set("1", 5.0, 0.12)
    psu.on("1")
    seen = psu.sample("1")
    assert (seen.volts, seen.on, seen.mode) == (5.0, True, "cv")
    assert psu.off("1") is True
    assert not supply.on
    psu.close()


def test_stray_byte_after_iset_is_taken(line):
    """Some firmware adds a byte after the reply to ISET1? (from memory, no source)."""
    supply = TextSupply()
    plain = line(lambda data: (supply(data) or b"") + (b"K" if data == b"ISET1?" else b""))
    psu = open_psu(plain.address, name="supply", dialect="korad-ka3000", timeout=2.0)
    psu.set("1", 5.0, 0.12)
    assert psu.settings("1") == (5.0, 0.12)
    psu.close()


def test_conformance_over_a_serial_line(line):
    psu = open_psu(line(TextSupply()).address, name="supply", dialect="korad-ka3000", timeout=2.0)
    assert [f"{each.name}: {each.says}" for each in check_psu(psu, "1") if not each.ok] == []
    psu.close()


def scpi(data):
    return b"".join(
        b"Wakeboard,PSU-1,SN1,1\n" if each == b"*IDN?" else b"5.0\n" for each in data.split(b"\n") if b"?" in each
    )


def test_lines_over_serial(line):
    with Link.open(line(scpi).address, name="supply", timeout=2.0) as link:
        assert link.query("VOLT?") == "5.0"
        link.write("VOLT 5")
        assert link.query("VOLT?") == "5.0"


def test_dribble_on_serial_is_bounded(line):
    def dribble(data):
        threading.Thread(target=drip, daemon=True).start()

    def drip():
        while not end.stop.wait(0.02):
            with contextlib.suppress(OSError):
                os.write(end.near, b"1")

    end = line(dribble)
    with Link.open(end.address, name="supply", timeout=0.3) as link, pytest.raises(LinkTimeout):
        link.query("VOLT?")


def test_late_reply_on_serial_is_dropped_at_reopening(line):
    """A serial line keeps what an instrument still sends: it must not answer the next question."""
    state = {"first": True}

    def late(data):
        if data == b"X1?\n" and state.pop("first", False):
            threading.Timer(0.3, lambda: os.write(end.near, b"99\n")).start()
            return None
        return scpi(data)

    end = line(late)
    with Link.open(end.address, name="supply", timeout=0.2) as link:
        link.identity = link.query("*IDN?")
        with pytest.raises(LinkTimeout):
            link.query("X1?")
        threading.Event().wait(0.2)
        assert link.query("VOLT?") == "5.0"


def test_serial_port_that_vanishes(line):
    end = line(scpi)
    with Link.open(end.address, name="supply", timeout=0.5) as link:
        assert link.query("VOLT?") == "5.0"
        end.end()
        with pytest.raises(LinkError):
            link.query("VOLT?")
        with pytest.raises((LinkClosed, LinkError)):
            link.query("VOLT?")


def test_dialect_of_the_text_protocol_has_no_terminators():
    manners = load_psu("korad-ka3000").link.manners()
    assert manners.terminator == ""
    assert manners.ends == ""
