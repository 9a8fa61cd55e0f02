"""The one error of the store, light enough to be imported by every command."""

from __future__ import annotations

from typing import Final, Literal

Kind = Literal[
    "usage",  # a wrong path, URL, reference or name: the caller can mend it
    "conflict",  # the same key with another content
    "corrupt",
    "locked",
    "read-only",
    "full",
    "newer",  # made by a later version of this software
    "unreachable",  # a server that does not answer or refuses
    "io",
]

_USAGE: Final = frozenset({"usage", "conflict", "newer"})


class StoreError(Exception):
    """One sentence that says what is wrong with which store and what to try.

    `kind` is a stable code; `store` names the file or the URL (password removed). `exit_code` is 2 where what was asked
    for is wrong and 3 where the store itself failed.
    """

    def __init__(self, says: str, *, kind: Kind = "io", store: str = "") -> None:
        super().__init__(says)
        self.says = says
        self.kind: Kind = kind
        self.store = store

    @property
    def exit_code(self) -> int:
        return 2 if self.kind in _USAGE else 3

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (self.says, self.kind, self.store))


def _rebuild(says: str, kind: Kind, store: str) -> StoreError:
    return StoreError(says, kind=kind, store=store)
