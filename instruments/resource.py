"""A PyVISA resource that is truly connected, with its serial port set as the instrument wants it."""

from __future__ import annotations

import os
import socket
from typing import Any

from .manners import Manners
from .wire import socket_of


def manager_of(given: Any) -> Any:
    """A resource manager: the one given, or one of a VISA library instance; None: "@py", named, so that a maker's VISA
    that happens to be installed changes nothing."""
    import pyvisa

    if given is not None and hasattr(given, "open_resource"):
        return given
    return pyvisa.ResourceManager("@py" if given is None else given)


def is_serial(address: str) -> bool:
    return address.upper().startswith("ASRL")


def check_connected(resource: Any) -> None:
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
