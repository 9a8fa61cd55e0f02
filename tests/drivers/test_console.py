"""The console over a real pseudo-terminal, and over pySerial's loop:// everywhere."""

from __future__ import annotations

import contextlib
import os
import sys
import threading

import pytest

from wakeboard.instruments.console import Console
from wakeboard.instruments.errors import ConsoleError, LinkBusy

posix = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")


@pytest.fixture
def board():
    """(port name, the board's end)."""
    import pty
    import tty

    near, far = pty.openpty()
    tty.setraw(near)
    tty.setraw(far)
    yield os.ttyname(far), near
    for each in (near, far):
        with contextlib.suppress(OSError):
            os.close(each)


@posix
def test_send_and_expect_with_named_groups(board):
    port, near = board
    with Console(port, 115200) as console:
        console.send("version")
        assert os.read(near, 100) == b"version\n"
        os.write(near, b"version\r\nfirmware 1.2.3 (build 7)\r\n> ")
        assert console.expect(r"firmware (?P<version>[\d.]+)", timeout=5)["version"] == "1.2.3"
        assert console.expect(r"build (\d+)", timeout=5)[1] == "7"


@posix
def test_reply_in_pieces_is_put_together(board):
    port, near = board

    def answer():
        for piece in (b"temp", b"erature ", b"21", b".5 C\n"):
            os.write(near, piece)

    with Console(port) as console:
        thread = threading.Thread(target=answer)
        thread.start()
        assert console.expect(r"temperature ([\d.]+) C", timeout=5)[1] == "21.5"
        thread.join()


@posix
def test_what_was_matched_is_not_matched_again(board):
    port, near = board
    with Console(port) as console:
        os.write(near, b"ready\n")
        console.expect("ready", timeout=5)
        with pytest.raises(ConsoleError, match="did not answer 'ready'"):
            console.expect("ready", timeout=0.1)


@posix
@posix
def test_a_sign_in_two_pieces_is_one_sign(board):
    port, near = board
    ohm = "Ω".encode()
    with Console(port) as console:
        os.write(near, ohm[:1])
        console.read(0.1)
        os.write(near, ohm[1:] + b"\n")
        assert console.expect("Ω", timeout=5)


@posix
def test_silence_says_what_was_heard_instead(board):
    port, near = board
    with Console(port) as console:
        os.write(near, b"Guru meditation\n")
        with pytest.raises(ConsoleError, match="Guru meditation"):
            console.expect("login:", timeout=0.2)


@posix
def test_old_text_can_be_dropped_before_a_question(board):
    port, near = board
    with Console(port) as console:
        os.write(near, b"volts 9.9\n")
        console.read(0.1)
        console.forget()
        os.write(near, b"volts 3.3\n")
        assert console.expect(r"volts ([\d.]+)", timeout=5)[1] == "3.3"


@posix
def test_everything_is_logged_with_its_time(board):
    port, near = board
    with Console(port) as console:
        console.send("a")
        os.write(near, b"b\n")
        console.expect("b", timeout=5)
        console.read(0.1)
        assert [direction for _, direction, _ in console.log][:2] == [">", "<"]
        times = [time for time, _, _ in console.log]
        assert times == sorted(times)
        assert console.text == "b\n"


@posix
def test_noise_of_a_board_that_wakes_up_is_taken(board):
    port, near = board
    with Console(port) as console:
        os.write(near, b"\xff\xfe\x00\x80boot ok\n")
        assert console.expect("boot ok", timeout=5)


@posix
def test_port_that_vanishes_is_one_clear_error(board):
    port, near = board
    with Console(port) as console:
        os.close(near)
        with pytest.raises(ConsoleError, match="console at"):
            console.expect("anything", timeout=1)


@posix
def test_a_port_in_use_is_refused(board):
    port, _ = board
    with Console(port), pytest.raises(LinkBusy):
        Console(port)


def test_absent_port_is_one_clear_error():
    with pytest.raises(ConsoleError, match="cannot be opened"):
        Console("/dev/nonexistent-wakeboard")


def test_dtr_and_rts_are_left_alone_unless_said(monkeypatch):
    """pySerial raises both at opening (source of 3.5): they are touched only where the bench file says so."""
    import serial

    touched = []

    class Port:
        in_waiting = 0
        name = "port"

        def __setattr__(self, name, value):
            touched.append((name, value))

        def open(self):
            pass

        def close(self):
            pass

    monkeypatch.setattr(serial, "serial_for_url", lambda *_args, **_options: Port())
    Console("COM-none").close()
    assert [name for name, _ in touched if name in ("dtr", "rts")] == []
    Console("COM-none", dtr=False).close()
    assert ("dtr", False) in touched
    assert [name for name, _ in touched if name == "rts"] == []


def test_loop_everywhere():
    with Console("loop://", 115200) as console:
        console.send("echo 5")
        assert console.expect(r"echo (\d)", timeout=5)[1] == "5"
