"""A PyVISA resource that is truly connected, over any VISA library, its serial port set as the instrument wants it.

Which library: the bench file's `visa`, else PyVISA's own variable PYVISA_LIBRARY, else "@py". A maker's VISA that
happens to be installed changes nothing unless it is named.
"""

from __future__ import annotations

import os
import socket
from typing import Any

from wakeboard.instruments.errors import VisaMissing
from wakeboard.instruments.link.manners import Manners
from wakeboard.instruments.link.wire import socket_of

USUAL = "@py"
VARIABLE = "PYVISA_LIBRARY"  # PyVISA's own


def library(named: str | None = None) -> str:
    """What PyVISA is given as its library."""
    return named or os.environ.get(VARIABLE) or USUAL


def manager_of(given: Any, visa: str | None = None) -> Any:
    """A resource manager: the one given, or one of a VISA library instance; None: of the library named.

    Raises VisaMissing where that cannot be loaded.
    """
    import pyvisa

    if given is not None and hasattr(given, "open_resource"):
        return given
    if given is not None:
        return pyvisa.ResourceManager(given)
    name = library(visa)
    try:
        return pyvisa.ResourceManager(name)
    except Exception as error:
        from wakeboard.instruments.link.missing import no_library

        raise VisaMissing(no_library(name, error)) from error


def is_serial(address: str) -> bool:
    return address.upper().startswith("ASRL")


def check_connected(resource: object) -> None:
    """PyVISA-py returns a resource for a refused port: only the socket knows. Raises OSError."""
    found = socket_of(resource)
    if found is None:
        return
    code = found.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
    if code:
        raise OSError(code, os.strerror(code))
    found.getpeername()


def configure(resource: Any, address: str, manners: Manners) -> None:
    """Baud rate, stop bits and flow control of a serial port."""
    if not is_serial(address):
        return
    from pyvisa import constants

    if manners.baud is not None:
        resource.baud_rate = manners.baud
    if manners.stop_bits == 2:
        resource.stop_bits = constants.StopBits.two
    flows = {
        "xonxoff": constants.ControlFlow.xon_xoff,
        "rtscts": constants.ControlFlow.rts_cts,
        "dtrdsr": constants.ControlFlow.dtr_dsr,
    }
    if manners.flow in flows:
        resource.flow_control = flows[manners.flow]
