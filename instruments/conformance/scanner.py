"""The conformance suite for a scanner: see conformance.py."""

from __future__ import annotations

from collections.abc import Sequence

from wakeboard.instruments.conformance.report import Check, Failed, Report, error_queue, identity_of, must
from wakeboard.instruments.errors import BenchError, LinkError
from wakeboard.instruments.scpi.scanner import Scanner


def check_scanner(scanner: Scanner, channels: Sequence[str], *, unknown: str = "999") -> list[Check]:
    """Close, open, one at a time, counts, a channel that no card has. channels: at least two that may be switched."""
    first, second = channels[0], channels[1]
    report = Report()
    if not report.run("identity", lambda: identity_of(scanner.identify())):
        return report.checks
    report.run("error queue", lambda: error_queue(scanner.speaker))
    try:
        report.run("open all", lambda: _open_all(scanner, channels))
        report.run("close", lambda: _closed(scanner, first))
        if not scanner.dialect.one_at_a_time:
            report.run("two at once", lambda: _both(scanner, first, second))
        report.run("only", lambda: _only(scanner, first, second))
        report.run("count", lambda: _counts(scanner, first))
        report.run("a channel that no card has", lambda: _unknown(scanner, unknown))
    finally:
        report.run("open at the end", lambda: _open_all(scanner, channels))
    return report.checks


def _open_all(scanner: Scanner, channels: Sequence[str]) -> str:
    scanner.open_all()
    left = [each for each in channels if scanner.is_closed(each)]
    must(not left, f"{', '.join(left)} still closed")
    return "all open"


def _closed(scanner: Scanner, name: str) -> str:
    scanner.close(name)
    must(scanner.closed() == [name], f"closed {name}, the scanner says {scanner.closed()}")
    return name


def _both(scanner: Scanner, first: str, second: str) -> str:
    scanner.close(second)
    found = scanner.closed()
    must(set(found) == {first, second}, f"closed {first} and {second}, the scanner says {found}")
    scanner.open(first)
    must(scanner.closed() == [second], f"opened {first}, the scanner says {scanner.closed()}")
    return f"{first}, {second}"


def _only(scanner: Scanner, first: str, second: str) -> str:
    for name in (first, second):
        scanner.only(name)
        must(scanner.closed() == [name], f"only {name}, the scanner says {scanner.closed()}")
    return f"{first}, then {second}"


def _counts(scanner: Scanner, name: str) -> str:
    before = scanner.count(name)
    if before is None:
        return "this scanner does not count"
    scanner.only(name)
    scanner.open_all()
    after = scanner.count(name)
    must(after is not None and after > before, f"{before} operations before, {after} after one more")
    return f"{after} operations"


def _unknown(scanner: Scanner, name: str) -> str:
    try:
        scanner.close(name)
    except LinkError:
        raise
    except BenchError as error:
        scanner.errors()
        return str(error)
    raise Failed(f"channel {name}, which no card has, was closed without complaint")
