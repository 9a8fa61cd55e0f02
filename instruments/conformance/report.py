"""What the conformance suite shares: single checks, gathered; what fails one does not end the others."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from wakeboard.instruments.errors import BenchError
from wakeboard.instruments.link.identity import Identity
from wakeboard.instruments.scpi.speaker import Speaker


@dataclass(frozen=True, slots=True)
class Check:
    """What was tried, whether it went as it should, and what was seen."""

    name: str
    ok: bool
    says: str = ""


class Failed(Exception):
    """A check did not hold; the text says why."""


class Report:
    """Collects checks; a BenchError fails the one that is under way."""

    def __init__(self) -> None:
        self.checks: list[Check] = []

    def run(self, name: str, trial: Callable[[], str | None]) -> bool:
        """Run one check; its text is what was seen."""
        try:
            says = trial() or ""
        except Failed as failure:
            self.checks.append(Check(name, False, str(failure)))
        except BenchError as error:
            self.checks.append(Check(name, False, f"{type(error).__name__}: {error}"))
        else:
            self.checks.append(Check(name, True, says))
        return self.checks[-1].ok


def must(held: bool, says: str) -> None:
    if not held:
        raise Failed(says)


def identity_of(identity: Identity) -> str:
    must(bool(identity.text.strip()), "it does not say who it is")
    return identity.text.strip()


def error_queue(speaker: Speaker) -> str:
    """A command that cannot be done must show in the error queue; afterwards the queue must be empty."""
    if speaker.dialect.error is None:
        return "this instrument has no error queue"
    speaker.errors()
    speaker.say([speaker.dialect.mistake])
    found = speaker.errors()
    must(bool(found), f"{speaker.dialect.mistake!r} left no error")
    left = speaker.errors()
    must(not left, f"the queue is not empty after it was read: {left}")
    return ", ".join(f"{code} {text}".strip() for code, text in found)
