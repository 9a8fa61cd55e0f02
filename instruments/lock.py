"""One owner for an instrument, across threads and programs.

Raw sockets and serial lines have no lock of their own (VISA's is not supported there), and two programs that talk to
one supply take each other's replies. So each address has a lock file in the user's runtime folder, locked by the
operating system: it goes with its process, however that ends. The file holds the owner's process number, for the
message only.
"""

from __future__ import annotations

import hashlib
import os
import sys
from pathlib import Path
from typing import Final

from .errors import LinkBusy

_BYTE: Final = 1 << 30  # Windows locks bytes for reading too: a byte far behind the text keeps that readable


def lock_folder() -> Path:
    """Where the lock files are; WAKEBOARD_LOCKS overrides."""
    chosen = os.environ.get("WAKEBOARD_LOCKS")
    if chosen:
        return Path(chosen)
    import platformdirs

    return Path(platformdirs.user_state_dir("wakeboard", appauthor=False)) / "locks"


class AddressLock:
    """Held from construction to `release`. Raises LinkBusy when another holds it."""

    def __init__(self, address: str, *, instrument: str = "") -> None:
        folder = lock_folder()
        folder.mkdir(parents=True, exist_ok=True)
        self.path = folder / f"{hashlib.sha256(address.upper().encode()).hexdigest()[:24]}.lock"
        self._file: int | None = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            _take(self._file)
        except OSError:
            owner = self._owner()
            os.close(self._file)
            self._file = None
            raise LinkBusy(f"another program{owner} uses it already", instrument=instrument, address=address) from None
        os.ftruncate(self._file, 0)
        os.write(self._file, str(os.getpid()).encode("ascii"))

    def _owner(self) -> str:
        try:
            number = self.path.read_text(encoding="ascii").strip()
        except (OSError, UnicodeDecodeError):
            return ""
        return f" (process {number})" if number.isdigit() else ""

    def release(self) -> None:
        """Let others in. The file stays: removing it would let two programs lock two files of one name."""
        if self._file is not None:
            os.close(self._file)
            self._file = None


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
