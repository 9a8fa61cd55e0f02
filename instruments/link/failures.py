"""What PyVISA, PyVISA-py or the system raised in the middle of a message, as one of our own errors in plain words."""

from __future__ import annotations

from wakeboard.instruments.errors import LinkClosed, LinkError, LinkRefused, LinkTimeout
from wakeboard.instruments.link.wire import WireClosed, WireTimeout


def is_timeout(error: Exception) -> bool:
    if isinstance(error, WireTimeout | TimeoutError):
        return True
    from pyvisa import constants, errors

    return isinstance(error, errors.VisaIOError) and error.error_code == constants.StatusCode.error_timeout


def judged(error: Exception, partial: bytes) -> tuple[type[LinkError], str]:
    if is_timeout(error):
        if partial:
            return LinkTimeout, f"no whole reply in time; {partial.decode('latin-1')!r} came, without its end"
        return LinkTimeout, "no reply in time: is it switched on, and its cable in?"
    if isinstance(error, ConnectionRefusedError):
        return LinkRefused, "nobody answers there"
    if isinstance(error, WireClosed):
        return LinkClosed, "the other end closed the connection: was it switched off, or taken by another program?"
    return LinkClosed, f"the link broke: {text_of(error)}"


def text_of(error: Exception) -> str:
    return " ".join(str(error).split()) or type(error).__name__
