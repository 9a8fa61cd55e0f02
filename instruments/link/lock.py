"""One owner for an instrument, across threads, programs and users of this computer.

Raw sockets and serial lines have no lock of their own (VISA's is not supported there), and two programs that talk to
one supply take each other's replies. So each instrument has a lock file, named after its address in one spelling
(address.py), in a folder that every user of the computer may write to, whatever HOME says. The operating system holds
the lock: it goes with its process, however that ends. The file holds the owner's process number, for the message only.

Where the shared folder takes no file, a folder of the user's own is used, and `not_excluded` says what that leaves
open. Other computers and programs that are not Wakeboard are never kept out: `Base.held` of a dialect asks the
instrument where it can tell, and `not_kept_out` says so. Its own lock (IFLOCK and the like) is not taken: no maker's
page says that it goes with its connection, and it would refuse "off" from the session that switches off when the guard
hangs or was killed, and from `wakeboard off`.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import stat
import sys
from pathlib import Path
from typing import Final

from wakeboard.instruments.errors import LinkBusy, LinkError
from wakeboard.instruments.link.address import HERE, canonical, hosts_of

_BYTE: Final = 1 << 30  # Windows locks bytes for reading too: a byte far behind the text keeps that readable
_SHARED: Final = ("/run/lock", "/var/lock", "/tmp")  # the first that every user may write to (FHS 3.0: /run, /tmp)
_OPEN_TO_ALL: Final = stat.S_ISVTX | stat.S_IWOTH
_TRIES: Final = 5  # a file that is removed between two calls each time is no chance
_BUSY: Final = (errno.EAGAIN, errno.EACCES, errno.EWOULDBLOCK, errno.EDEADLK)


def shared_folder() -> Path | None:
    """Where the lock files of all users are; WAKEBOARD_LOCKS overrides. None: there is no such place here."""
    chosen = os.environ.get("WAKEBOARD_LOCKS")
    if chosen:
        return Path(chosen)
    if sys.platform == "win32":
        return Path(os.environ.get("PROGRAMDATA", r"C:\ProgramData")) / "wakeboard"
    return next((Path(each) for each in _SHARED if _open_to_all(each)), None)


def own_folder() -> Path:
    """Where they are when they cannot be shared."""
    import platformdirs

    return Path(platformdirs.user_state_dir("wakeboard", appauthor=False)) / "locks"


def not_kept_out(address: str, asked: bool) -> str:
    """Who on the network may use the instrument beside us; "" where it is reached from this computer only. asked:
    whether its dialect can ask it for a lock of its own."""
    if all(host == HERE for host in hosts_of(address)):  # a cable as well
        return ""
    tells = (
        "whether one holds its own lock is asked when it is opened, and when it does not go off"
        if asked
        else "it has no known way to tell of one"
    )
    return f"Programs of other computers on the network are not kept from it: {tells}."


def _open_to_all(folder: str) -> bool:
    try:
        return os.stat(folder).st_mode & _OPEN_TO_ALL == _OPEN_TO_ALL
    except OSError:
        return False


class AddressLock:
    """Held from construction to `release`. Raises LinkBusy when another holds it, LinkError where none can be had.

    not_excluded: who may still use the instrument at the same time; "" where nobody of this computer may.
    """

    def __init__(self, address: str, *, instrument: str = "") -> None:
        self.not_excluded = ""
        self._address, self._instrument = address, instrument
        self._files: list[int] = []
        try:
            for name in canonical(address):
                self.add(name)
        except BaseException:
            self.release()
            raise

    def add(self, name: str) -> None:
        """Hold another name of the same instrument, too."""
        self._hold(f"wakeboard-{hashlib.sha256(name.encode()).hexdigest()[:24]}.lock")

    def _hold(self, name: str) -> None:
        shared = shared_folder()
        refused = "every user's temporary folder is missing" if shared is None else ""
        if shared is not None:
            try:
                self._files.append(self._locked(shared / name))
                return
            except OSError as error:
                refused = f"{shared}: {error.strerror or error}"
        own = own_folder()
        try:
            self._files.append(self._locked(own / name))
        except OSError as error:
            raise LinkError(
                f"no lock can be held, so another program could use it at the same time ({refused}; {own}: "
                f"{error.strerror or error}); WAKEBOARD_LOCKS names a folder on a disk of this computer that every "
                "user of the bench may write to",
                instrument=self._instrument, address=self._address,
            ) from error  # fmt: skip
        self.not_excluded = f"Other users of this computer are not kept from it: no lock can be shared ({refused})."

    def _locked(self, path: Path) -> int:
        """The open file, locked. OSError where this folder has no locks, LinkBusy when another holds it."""
        path.parent.mkdir(parents=True, exist_ok=True)
        for _ in range(_TRIES):
            file = _opened(path)
            try:
                _take(file)
                if _is(file, path):
                    _sign(file)
                    return file
            except OSError as error:
                owner = _owner(path)
                os.close(file)
                if error.errno not in _BUSY:
                    raise
                says = f"another program{owner} uses it already"
                raise LinkBusy(says, instrument=self._instrument, address=self._address) from None
            os.close(file)  # somebody tidied the folder meanwhile: that file excludes nobody
        raise OSError(errno.EBUSY, "the lock file is removed again and again")

    def release(self) -> None:
        """Let others in. The file stays: removing it would let two programs lock two files of one name."""
        while self._files:
            os.close(self._files.pop())


def _opened(path: Path) -> int:
    """The lock file, made where there is none. Never through a link, and never made over one of another user: in a
    folder open to all, Linux refuses O_CREAT on that (fs.protected_regular)."""
    flags = os.O_RDWR | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)
    for _ in range(_TRIES):
        with contextlib.suppress(FileNotFoundError):
            try:
                return os.open(path, flags)
            except PermissionError:
                return os.open(path, flags & ~os.O_RDWR)  # a lock needs no right to write
        with contextlib.suppress(FileExistsError):
            file = os.open(path, flags | os.O_CREAT | os.O_EXCL, 0o666)
            with contextlib.suppress(OSError, AttributeError):
                os.fchmod(file, 0o666)  # the next user's program signs it, too
            return file
    raise OSError(errno.EBUSY, "the lock file comes and goes")


def _is(file: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(file), os.stat(path))
    except OSError:
        return False


def _sign(file: int) -> None:
    with contextlib.suppress(OSError):  # another user's file: the message lacks a number then
        os.ftruncate(file, 0)
        os.write(file, str(os.getpid()).encode("ascii"))


def _owner(path: Path) -> str:
    try:
        number = path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        return ""
    return f" (process {number})" if number.isdigit() else ""


if sys.platform == "win32":
    import msvcrt

    def _take(file: int) -> None:
        os.lseek(file, _BYTE, os.SEEK_SET)
        msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        os.lseek(file, 0, os.SEEK_SET)

else:
    import fcntl

    def _take(file: int) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
