"""What can go wrong on a bench, one class by who is at fault.

BenchError                 the bench failed; it says nothing of the board
├── LinkError              a message did not get through
│   ├── LinkRefused        nobody answers at the address
│   ├── LinkBusy           another program holds the instrument
│   ├── VisaMissing        the VISA library or a driver for the address is not installed
│   ├── LinkClosed         the other end went away
│   ├── LinkTimeout        no whole reply before the deadline
│   ├── LinkGarbled        a reply that the question cannot have
│   └── OtherOutput        a reply that may be of another output: somebody selects the outputs, too
├── IdentityError          another instrument than the bench file names
├── SettingError           a value read back differs from the value set
│   └── OutputOnError      an output that was switched off is not confirmed off
├── InstrumentFault        the instrument reports an error of its own
├── DialectError           the dialect cannot say what is asked
└── ConsoleError           the serial link to the board failed
"""

from __future__ import annotations


class BenchError(Exception):
    """The bench failed. `instrument` is its name in the bench file."""

    def __init__(self, message: str, *, instrument: str = "") -> None:
        super().__init__(message)
        self.instrument = instrument


class LinkError(BenchError):
    """A message did not get through.

    command: the line that was sent; deadline and elapsed: seconds; step: the sequence step, filled in by the runner.
    """

    def __init__(
        self,
        message: str,
        *,
        instrument: str = "",
        address: str = "",
        command: str = "",
        deadline: float | None = None,
        elapsed: float | None = None,
        step: str = "",
    ) -> None:
        super().__init__(message, instrument=instrument)
        self.address = address
        self.command = command
        self.deadline = deadline
        self.elapsed = elapsed
        self.step = step

    def __str__(self) -> str:
        parts = [super().__str__()]
        if self.instrument:
            parts.append(f"instrument {self.instrument}")
        if self.address:
            parts.append(f"at {self.address}")
        if self.command:
            parts.append(f"after {self.command!r}")
        if self.deadline is not None and self.elapsed is not None:
            parts.append(f"waited {self.elapsed:.3f} s of {self.deadline:.3f} s")
        if self.step:
            parts.append(f"in step {self.step}")
        return ", ".join(parts)


class LinkRefused(LinkError):
    """Nobody answers at the address."""


class LinkBusy(LinkError):
    """Another program, or another link of this one, holds the instrument."""


class VisaMissing(LinkError):
    """The VISA library of the bench file cannot be loaded."""


class LinkClosed(LinkError):
    """The other end went away."""


class LinkTimeout(LinkError):
    """No whole reply before the deadline; the link is out of step from here on."""


class LinkGarbled(LinkError):
    """A reply that the question cannot have."""


class OtherOutput(LinkError):
    """What was said or asked may have gone to another output than the one meant: somebody else selects them, too."""


class IdentityError(BenchError):
    """Another instrument than the bench file names answers at the address."""


class SettingError(BenchError):
    """A value read back differs from the value set."""


class OutputOnError(SettingError):
    """An output that was switched off is not confirmed off: a person must look."""


class InstrumentFault(BenchError):
    """The instrument reports an error of its own (number and text from its error queue)."""


class DialectError(BenchError):
    """The dialect cannot say what is asked, or no dialect fits the identity."""


class ConsoleError(BenchError):
    """The serial link to the board failed, or did not answer as expected."""
