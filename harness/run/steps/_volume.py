"""Write and read speed of a mounted volume: one new file of random bytes, flushed, read past the cache, removed."""

from __future__ import annotations

import os
import secrets
import time
from collections.abc import Callable
from pathlib import Path

from wakeboard.instruments.errors import BenchError

CHUNK = 1 << 20  # bytes a call: so long that the call itself costs nothing


def measure(folder: str, size: int, pulse: Callable[[], None]) -> tuple[float, float, str]:
    """(seconds to write, seconds to read, what was done about caches). Raises BenchError where the volume fails.

    size is rounded up to whole megabytes. What is read is compared with what was written.
    """
    path = Path(folder) / f"wakeboard-{secrets.token_hex(6)}.tmp"
    blocks = max(1, -(-size // CHUNK))
    seed = secrets.token_bytes(CHUNK)
    try:
        wrote = _write(path, seed, blocks, pulse)
        read, cache = _read(path, seed, blocks, pulse)
        return wrote * size / (blocks * CHUNK), read * size / (blocks * CHUNK), cache
    except OSError as error:
        raise BenchError(f"the volume at {folder} failed: {error.strerror or error}") from None
    finally:
        path.unlink(missing_ok=True)


def _block(seed: bytes, number: int) -> bytes:
    """A megabyte that differs from the others, without making random bytes while the clock runs."""
    mark = number.to_bytes(8, "big")
    return mark + seed[8:]


def _write(path: Path, seed: bytes, blocks: int, pulse: Callable[[], None]) -> float:
    started = time.perf_counter()
    with open(path, "xb", buffering=0) as stream:
        for number in range(blocks):
            stream.write(_block(seed, number))
            pulse()
        os.fsync(stream.fileno())
    return time.perf_counter() - started


def _read(path: Path, seed: bytes, blocks: int, pulse: Callable[[], None]) -> tuple[float, str]:
    descriptor, cache = _open_past_cache(path)
    buffer = _aligned()
    try:
        started = time.perf_counter()
        for number in range(blocks):
            got = os.readv(descriptor, [buffer]) if hasattr(os, "readv") else _readinto(descriptor, buffer)
            if got != CHUNK or bytes(buffer) != _block(seed, number):
                raise BenchError(f"what was read from {path.parent} is not what was written")
            pulse()
        return time.perf_counter() - started, cache
    finally:
        os.close(descriptor)


def _readinto(descriptor: int, buffer: memoryview) -> int:
    data = os.read(descriptor, CHUNK)
    buffer[: len(data)] = data
    return len(data)


def _aligned() -> memoryview:
    """A page-aligned buffer, as direct reading asks for."""
    import mmap

    return memoryview(mmap.mmap(-1, CHUNK))


def _open_past_cache(path: Path) -> tuple[int, str]:
    """A descriptor that reads from the medium if the system can, and in words what it does."""
    direct = getattr(os, "O_DIRECT", None)
    binary = getattr(os, "O_BINARY", 0)
    if direct is not None:
        try:
            return os.open(path, os.O_RDONLY | direct), "flushed after writing; read past the system's cache"
        except OSError:
            pass  # a file system without direct reading, such as tmpfs
    descriptor = os.open(path, os.O_RDONLY | binary)
    if hasattr(os, "posix_fadvise"):
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        return descriptor, "flushed after writing; the system was asked to drop its cache before reading"
    return descriptor, "flushed after writing; the system's cache could not be bypassed: the read rate may be its own"
