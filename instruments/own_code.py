"""No file of the folder that a person works in is ever imported: a board's folder may be borrowed, or sent by anybody.

Python puts the working folder in front of its path for `python -m` and `python -c`, also in the processes that
`multiprocessing` starts; a `queue.py` beside a board would be run in place of Python's own. So:

    keep_out()        in a program of ours, before anything else is imported
    command("m.f")    how a process of ours is started: isolated (`python -I`), with a path that is fixed here
"""

from __future__ import annotations

import os
import sys

INSTALLED = ("site-packages", "dist-packages")
START = "import sys; sys.path += sys.argv[2:]; import importlib as i; i.import_module(sys.argv[1]).main()"


def keep_out() -> None:
    """Take the working folder off this process's path, and keep it off that of every Python that it starts."""
    sys.path[:] = [each for each in sys.path if not _here(each)]
    os.environ["PYTHONSAFEPATH"] = "1"


def command(module: str) -> list[str]:
    """The command line that runs `main()` of a module of ours in a Python of its own, isolated."""
    return [sys.executable, "-I", "-c", START, module, *fixed_path()]


def fixed_path() -> list[str]:
    """What an isolated Python lacks of this one's path: folders of installed packages (a user's own, an added one), and
    the one that Wakeboard itself was loaded from. They come last, so that they hide nothing of Python's."""
    import wakeboard

    home = os.path.dirname(os.path.dirname(os.path.abspath(wakeboard.__file__ or "")))
    return [each for each in sys.path if each and (os.path.basename(each) in INSTALLED or _same(each, home))]


def _here(entry: str) -> bool:
    if not entry or entry == os.curdir:
        return True
    return _same(entry, os.curdir) and not any(_same(entry, each) for each in _of_python())


def _of_python() -> list[str]:
    """Where this Python keeps what is installed: it may be the working folder by chance."""
    import site

    return [*site.getsitepackages(), site.getusersitepackages()]


def _same(one: str, other: str) -> bool:
    try:
        return os.path.samefile(one, other)
    except OSError:
        return False
