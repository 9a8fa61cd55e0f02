"""What to do when a driver, a right or a VISA library is missing: the line to type or to add, in plain words.

PyVISA and PyVISA-py tell these as a ValueError of an import, as an error number, or as "resource not present".
"""

from __future__ import annotations

import errno
import re
import sys
from typing import Final

_RULES: Final = "/etc/udev/rules.d/50-instruments.rules"
_RELOAD: Final = "then `sudo udevadm control --reload` and plug it in again"


def no_library(name: str, error: BaseException) -> str:
    """A VISA library that cannot be loaded."""
    if name == "@py":
        return f"PyVISA-py cannot be loaded ({_one_line(error)}); `pip install pyvisa-py`"
    if name == "@ivi":
        return (
            "no VISA library of a maker is installed where PyVISA looks for one; install the maker's, name its file "
            '(visa = "/path/to/libvisa.so"), or use visa = "@py", which needs none'
        )
    if name.startswith("@"):
        return (
            f"the VISA library {name} is not installed (no package pyvisa_{name[1:]}); "
            'visa may be "@py", "@ivi", or the path of a library'
        )
    return f"the VISA library {name} cannot be loaded: {_one_line(error)}"


def advice(address: str, error: BaseException) -> str:
    """The plain words for why a resource cannot be opened, with what to do; "" where nothing is known."""
    kind = re.match(r"[A-Za-z]*", address.strip())
    bus = (kind[0] if kind else "").upper()
    text = str(error)
    if "install" in text.casefold() and "No module named" in text:
        return _driver(bus)
    if _is(error, errno.EACCES, errno.EPERM) or "insufficient permissions" in text.casefold():
        return _right(bus, address)
    if "hislip" in address.casefold() and ("NFOUND" in text or _is(error, errno.ECONNREFUSED)):
        return (
            "no HiSLIP server answers there (TCP port 4880): is HiSLIP switched on in the instrument's LAN settings? "
            "Its raw socket may answer: TCPIP::HOST::5025::SOCKET, the port from its manual"
        )
    if bus == "TCPIP" and _is(error, errno.ECONNREFUSED):
        return _refused(address)
    if "NFOUND" in text or (bus == "USB" and "No device found" in text):
        return "no such instrument: is it switched on, its cable in, and the address as its display or label says?"
    return ""


def _refused(address: str) -> str:
    """A computer that is there, and a port at which nobody listens."""
    if re.search(r"(?i)::(127\.[\d.]+|localhost|\[?::1\]?)::", address):
        return (
            "nobody listens at that port of this computer (connection refused): a virtual bench is there while "
            "`wakeboard virtual` runs, and has other ports each time: its newest bench file says which"
        )
    return (
        "nobody listens at that port (connection refused): is it the port of the instrument's manual, and is its "
        "socket switched on in its LAN settings?"
    )


def _driver(bus: str) -> str:
    if bus == "USB":
        return "the driver for USB is not installed: `pip install 'wakeboard[usb]'`, and libusb-1.0 from the system"
    if bus == "GPIB":
        return (
            "the driver for GPIB is not installed: `pip install 'wakeboard[gpib]'` beside linux-gpib or the adapter "
            "maker's library; or the maker's VISA, with visa = \"@ivi\" in the bench file"
        )
    return f'PyVISA-py has no driver for {bus} here; the maker\'s VISA may: visa = "@ivi" in the bench file'


def _right(bus: str, address: str) -> str:
    if not sys.platform.startswith("linux"):
        return "this user has no right to use it"
    if bus == "ASRL":
        return "this user has no right to use the port: `sudo usermod -aG dialout $USER`, then log in again"
    if bus == "USB":
        parts = address.split("::")
        vendor, product = (_hex(each) for each in (*parts[1:3], "", "")[:2])
        which = f'SUBSYSTEM=="usb", ATTR{{idVendor}}=="{vendor}", ATTR{{idProduct}}=="{product}"'
        return f"this user has no right to use it; {_rule(which)}"
    if bus == "GPIB":
        which = 'KERNEL=="gpib[0-9]*"'
        return f"this user has no right to use the adapter; {_rule(which)}"
    return "this user has no right to use it"


def _rule(which: str) -> str:
    """A rule of udev(7); uaccess: systemd gives the right to whoever sits at the computer."""
    return f'add the line `{which}, MODE="0660", TAG+="uaccess"` to {_RULES}, {_RELOAD}'


def _hex(text: str) -> str:
    try:
        return f"{int(text, 0):04x}"
    except ValueError:
        return text.casefold()


def _is(error: object, *numbers: int) -> bool:
    return getattr(error, "errno", None) in numbers


def _one_line(error: BaseException) -> str:
    return " ".join(str(error).split()) or type(error).__name__
