"""Wakeboard wakes new circuit boards up without letting the smoke out. The public door: `import wakeboard as wb`."""

from typing import Any


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from importlib.metadata import version

        return version("wakeboard")
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
