"""One instrument, one owner on this computer: by whichever spelling, from whichever HOME, as whichever user."""

from __future__ import annotations

import errno
import os
import socket
import stat
import subprocess
import sys

import pytest

from wakeboard.instruments.errors import LinkBusy, LinkError
from wakeboard.instruments.link import address, lock
from wakeboard.instruments.link.address import canonical
from wakeboard.instruments.link.link import Link
from wakeboard.instruments.link.lock import AddressLock
from wakeboard.instruments.scpi.opening import open_psu

HOLD = (
    "import sys; from wakeboard.instruments.link.lock import AddressLock\n"
    "held = AddressLock(sys.argv[1]); print('held', held.not_excluded, flush=True); sys.stdin.read()"
)


def holding(of, **environment):
    """Another program that holds an address, once it says so."""
    other = subprocess.Popen(
        [sys.executable, "-c", HOLD, of],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env={**os.environ, **environment},
    )  # fmt: skip
    assert other.stdout is not None
    assert other.stdout.readline().split()[:1] == ["held"]
    return other


SAME = [  # by RFC 6761 (localhost), inet_aton's short forms (POSIX inet_addr), and the defaults of VPP-4.3, table 4.3.1
    ("TCPIP::127.0.0.1::5025::SOCKET", "TCPIP0::127.0.0.1::5025::SOCKET"),
    ("TCPIP::127.0.0.1::5025::SOCKET", "tcpip::localhost::5025::socket"),
    ("TCPIP::127.0.0.1::5025::SOCKET", "TCPIP::127.1::5025::SOCKET"),
    ("TCPIP::127.0.0.1::5025::SOCKET", "TCPIP::2130706433::5025::SOCKET"),
    ("TCPIP::127.0.0.1::5025::SOCKET", "TCPIP::0.0.0.0::05025::SOCKET"),
    ("TCPIP::127.0.0.1::5025::SOCKET", f"TCPIP::{socket.gethostname()}::5025::SOCKET"),
    ("TCPIP::127.0.0.1::5025::SOCKET", "socket://localhost:5025"),
    ("TCPIP::192.0.2.9::INSTR", "TCPIP0::192.0.2.9::inst0::INSTR"),
    ("TCPIP::192.0.2.9::hislip0::INSTR", "TCPIP0::192.0.2.9::HISLIP0,4880::INSTR"),
    ("USB::0x1AB1::0x0588::SER1::INSTR", "USB0::6833::1416::ser1::0::INSTR"),
    ("GPIB::5::INSTR", "GPIB0::5::0::INSTR"),
    ("ASRL/dev/null::INSTR", "/dev/null"),
]
OTHER = [
    ("TCPIP::127.0.0.1::5025::SOCKET", "TCPIP::127.0.0.1::5026::SOCKET"),
    ("TCPIP::192.0.2.9::gpib0,5::INSTR", "TCPIP::192.0.2.9::gpib0,6::INSTR"),
    ("GPIB::5::INSTR", "GPIB1::5::INSTR"),
    ("GPIB::5::INSTR", "GPIB::5::2::INSTR"),
    ("USB::0x1AB1::0x0588::SER1::INSTR", "USB::0x1AB1::0x0588::SER2::INSTR"),
    ("ASRL/dev/ttyS0::INSTR", "ASRL/dev/ttyS1::INSTR"),
]


@pytest.mark.parametrize(("one", "other"), SAME)
def test_spellings_of_one_instrument(one, other):
    assert set(canonical(one)) & set(canonical(other))


@pytest.mark.parametrize(("one", "other"), OTHER)
def test_instruments_that_differ(one, other):
    assert not set(canonical(one)) & set(canonical(other))


def test_a_link_to_a_serial_port_is_that_port(tmp_path):
    """/dev/serial/by-id holds links."""
    (tmp_path / "by-id").symlink_to("/dev/null")
    assert canonical(f"ASRL{tmp_path}/by-id::INSTR") == canonical("ASRL/dev/null::INSTR") == canonical("/dev/null")


@pytest.mark.parametrize("text", ["", "::", "TCPIP", "TCPIP::", "USB::", "GPIB::", "socket://", "socket://x:y", "\0"])
def test_nonsense_stands_for_itself(text):
    assert canonical(text)


def test_a_host_with_two_addresses_shares_a_lock_with_each(monkeypatch):
    """A name that leads to IPv4 and IPv6; another bench file gives the number."""
    both = [(0, 0, 0, "", ("192.0.2.7", 0)), (0, 0, 0, "", ("2001:db8::7", 0, 0, 0))]
    told = {"scope.lab": both, "192.0.2.7": both[:1]}
    monkeypatch.setattr(address.socket, "getaddrinfo", lambda name, *_, **__: told[name])
    with_name = AddressLock("TCPIP::scope.lab::5025::SOCKET")
    with pytest.raises(LinkBusy):
        AddressLock("TCPIP::192.0.2.7::5025::SOCKET")
    with_name.release()
    AddressLock("TCPIP::192.0.2.7::5025::SOCKET").release()


@pytest.mark.skipif(sys.platform == "win32", reason="HOME of POSIX systems")
def test_another_home_is_no_way_around(serve, tmp_path, monkeypatch):
    monkeypatch.delenv("WAKEBOARD_LOCKS")
    peer = serve(lambda session, line: None)
    other = holding(f"TCPIP::localhost::{peer.port}::SOCKET", HOME=str(tmp_path), XDG_STATE_HOME=str(tmp_path))
    try:
        with pytest.raises(LinkBusy, match=str(other.pid)):
            Link.open(peer.address, name="supply")
    finally:
        other.communicate()


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root can be somebody else")
def test_another_user_is_kept_out_and_can_hold_it_afterwards(tmp_path, monkeypatch):
    """In a folder as /run/lock is: open to all, and sticky. What one user made, the next one can lock."""
    shared = tmp_path / "shared"
    shared.mkdir()
    shared.chmod(0o1777)
    for folder in (tmp_path, *tmp_path.parents[:3]):
        folder.chmod(folder.stat().st_mode | 0o011)
    monkeypatch.setenv("WAKEBOARD_LOCKS", str(shared))
    mine = AddressLock("GPIB::5::INSTR")
    code = (
        "import os, socket, platformdirs, encodings.ascii\n"
        "from wakeboard.instruments.link.lock import AddressLock\n"
        "os.setuid(65534)  # now, that all is imported: Python itself may stand in root's own folder\n"
        "try: held = AddressLock('GPIB0::5::0::INSTR'); print('held', held.not_excluded)\n"
        "except Exception as error: print(type(error).__name__)\n"
    )

    def as_nobody():
        environment = {**os.environ, "HOME": "/nonexistent"}
        command = [sys.executable, "-c", code]
        done = subprocess.run(command, capture_output=True, text=True, env=environment, check=False)
        return done.stdout.strip() or done.stderr

    assert as_nobody() == "LinkBusy"
    mine.release()
    assert as_nobody() == "held"


def test_a_lock_file_that_is_a_link_is_not_followed(tmp_path, monkeypatch):
    """In a folder open to all, somebody may have put a link to a file of mine there."""
    monkeypatch.setenv("WAKEBOARD_LOCKS", str(tmp_path / "locks"))
    monkeypatch.setattr(lock, "own_folder", lambda: tmp_path / "own")
    held = AddressLock("GPIB::5::INSTR")
    held.release()
    made = next((tmp_path / "locks").iterdir())
    victim = tmp_path / "victim"
    victim.write_text("mine")
    made.unlink()
    made.symlink_to(victim)
    held = AddressLock("GPIB::5::INSTR")
    assert victim.read_text() == "mine"
    assert "Other users" in held.not_excluded
    held.release()


def test_a_lock_file_that_was_tidied_away_is_no_lock(tmp_path, monkeypatch):
    """A cleaner of old files took it between opening and locking: the next program would lock another one."""
    opened = lock._opened
    taken = []

    def tidied(path):
        file = opened(path)
        if not taken:
            taken.append(path)
            path.unlink()
        return file

    monkeypatch.setattr(lock, "_opened", tidied)
    first = AddressLock("GPIB::5::INSTR")
    with pytest.raises(LinkBusy):
        AddressLock("GPIB::5::INSTR")
    first.release()


def test_where_nothing_can_be_shared_it_is_said(tmp_path, monkeypatch):
    monkeypatch.delenv("WAKEBOARD_LOCKS")
    monkeypatch.setattr(lock, "_SHARED", (str(tmp_path / "none"),))
    monkeypatch.setattr(lock, "own_folder", lambda: tmp_path / "own")
    held = AddressLock("GPIB::5::INSTR")
    assert held.not_excluded.startswith("Other users of this computer are not kept from it")
    with pytest.raises(LinkBusy):
        AddressLock("GPIB::5::INSTR")
    held.release()


def test_a_read_only_home_is_told_as_such(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("WAKEBOARD_LOCKS", str(tmp_path / "file" / "locks"))
    monkeypatch.setattr(lock, "own_folder", lambda: tmp_path / "file" / "own")
    with pytest.raises(LinkError, match="WAKEBOARD_LOCKS names a folder") as told:
        AddressLock("GPIB::5::INSTR")
    assert "another program uses it" not in str(told.value)


def test_a_missing_lock_service_is_not_another_program(tmp_path, monkeypatch):
    """flock on a network disk without its lock daemon: ENOLCK (flock(2))."""

    def none(_file):
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    monkeypatch.setattr(lock, "_take", none)
    monkeypatch.setattr(lock, "own_folder", lambda: tmp_path / "own")
    with pytest.raises(LinkError, match="No locks available") as told:
        AddressLock("GPIB::5::INSTR")
    assert not isinstance(told.value, LinkBusy)


@pytest.mark.skipif(sys.platform == "win32", reason="folders of POSIX systems")
def test_the_shared_folder_is_open_to_all_and_sticky(monkeypatch):
    monkeypatch.delenv("WAKEBOARD_LOCKS")
    folder = lock.shared_folder()
    assert folder is not None
    assert os.stat(folder).st_mode & (stat.S_ISVTX | stat.S_IWOTH) == stat.S_ISVTX | stat.S_IWOTH


# --- the instrument itself ------------------------------------------------------------------------------------------
def tti(held):
    def script(session, line):
        if "*IDN?" in line:
            session.say("THURLBY THANDAR, MX100TP, 123456, 1.03\r\n")
        elif line.strip() == "IFLOCK?" and held is not None:
            session.say(f"{held}\r\n")
        elif line.strip() == "EER?":
            session.say("0\r\n")

    return script


def test_an_instrument_that_another_computer_holds(serve):
    """IFLOCK?: 1 own, 0 none, -1 another interface [XDL II manual, p38]."""
    with pytest.raises(LinkBusy, match="another program holds it"):
        open_psu(serve(tti(-1)).address, name="supply")


@pytest.mark.parametrize("held", [0, 1, None])
def test_an_instrument_that_nobody_else_holds_or_that_cannot_tell(serve, held):
    peer = serve(tti(held))
    psu = open_psu(peer.address, name="supply", timeout=1.0)
    psu.link.close()
    assert "IFLOCK" not in "".join(line for session in peer.sessions for line in session.lines).replace("IFLOCK?", "")


def test_one_instrument_by_two_addresses_is_found_by_its_serial_number(serve, monkeypatch):
    """The same supply by its LAN port and through an adapter. This computer's own ports are other programs' tunnels and
    virtual benches, so the test takes them for another host."""
    monkeypatch.setattr("wakeboard.instruments.scpi.opening.hosts_of", lambda _address: ["192.0.2.1"])

    def says(session, line):
        if "*IDN?" in line:
            session.say("Keysight Technologies,E36312A,MY1,2.1\n")
        elif "*ESR?" in line:
            session.say("0\n")

    first = open_psu(serve(says).address, name="supply")
    with pytest.raises(LinkBusy):
        open_psu(serve(says).address, name="again")
    first.link.close()
    open_psu(serve(says).address, name="again").link.close()
