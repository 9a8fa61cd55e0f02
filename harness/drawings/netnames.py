"""What the name of a net tells: ground, a voltage, a rail, a line's function. Common practice of schematics, no source.

volts_of("+3V3_SENS")     3.3
function_of("NRST")       "reset"
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final

_GROUND: Final = ("GND", "0V", "VSS", "GROUND", "DGND", "PGND", "AGND", "GNDD", "GNDA", "COM", "0")
_VOLTS: Final = re.compile(
    r"(?:^|[_/+\-.])(?P<sign>[-N]?)[+PV]?(?P<whole>[0-9]{1,2})(?:[.](?P<frac>[0-9]{1,3})V?|V(?P<tail>[0-9]{0,2})|P(?P<point>[0-9]{1,2})V?)"
    r"(?=$|[_/\-.A-Z+])",
    re.IGNORECASE,
)
_RAIL: Final = re.compile(
    r"(?:^|[_/+])[ADPM]?V(?:CC|DD|IN|SYS|BATT?|BUS|USB|OUT|IO|CORE|PANEL|SOLAR|DC|MAIN|RAW|PWR|MOT|REG|PP|EXT|SUP)"
    r"(?:[0-9_/A-Z]*)$|^(?:PWR|POWER|BATT?|DC_?IN|V_?IN|VS|VM|V\+|VPP|BAT\+)(?:_?[0-9]*)$|^V[0-9]{1,2}$",
    re.IGNORECASE,
)
_SHORT: Final[Mapping[str, float]] = {"V5": 5.0, "V33": 3.3, "V18": 1.8, "V25": 2.5, "V3": 3.0, "V24": 24.0}
_NOT_RAIL: Final = re.compile(
    r"^(?:ADC|SNS|SENSE|MON|DET|FB|AIN|AN|EN|PG)_|^EN$|(?:SENSE|SNS|_DET|DETECT|_MON|_EN|ENABLE|_PG|GOOD|_FB|ADC|_DIV|_SW|_LX|_BST|_FAULT|_OK|VALID|_ON|_OC|_PROG)N?[0-9]*$",
    re.IGNORECASE,
)
_USB: Final = re.compile(
    r"^(?:USB_?VBUS|VBUS(?:_?USB)?|V_?USB|USB_?5V|VBUS_?[A-Z]?(?:_?IN|_?CONN?)?|(?:USB_?)?VBUS_?5V0?)$", re.IGNORECASE
)
_CELL: Final = re.compile(r"(?:^|_)V?_?(?:BATT?|LIPO|CELL|BATTERY)(?:\+|_?IN)?[0-9]?$", re.IGNORECASE)
_ENTRY: Final = re.compile(
    r"(?:^|_|\+)(?:V_?IN|DC_?IN|V_?DC|V_?PANEL|SOLAR|V_?SOLAR|V_?EXT|POE|V_?RAW|V_?SUP|ENTREE|EINGANG|ENTRADA|INGRESSO|INGANG|ALIM)|(?:[0-9]|V)V?[0-9]?_(?:IN|RAW|JACK|UNREG)$|^IN_[0-9]+V",
    re.IGNORECASE,
)
_FUNCTIONS: Final[Mapping[str, re.Pattern[str]]] = {
    name: re.compile(pattern, re.IGNORECASE)
    for name, pattern in {
        "reset": r"(?:^|[_/~!.])N?(?:RST|RESET|POR|MRES?)(?:N|B|_N|_B|#|\*)?[0-9]?(?:$|_)|^NRST",
        "strap": r"(?:^|[_/.])(?:BOOT|STRAP|CFG|CONFIG|BOOTSEL|BOOT_?MODE)[0-9]*(?:$|_)",
        "enable": r"(?:^|[_/.])N?(?:EN|ENABLE|SHDN|SHUTDOWN|PWR_?EN|PWR_?ON|STBY|SLEEP|STANDBY)(?:N|_N|#)?[0-9]?(?:$|_)"
        r"|_(?:EN|OE)N?$",
        "select": r"(?:^|[_/.])N?(?:CS|SS|NSS|CSN|CE)(?:N|_N|#)?[0-9]?$",
        "protect": r"(?:^|[_/.])N?(?:WP|HOLD)(?:N|_N|#)?[0-9]?$",
        "interrupt": r"(?:^|[_/.])N?(?:IRQ|INT|ALERT|DRDY)(?:N|_N|#)?[0-9]?$",
        "i2c": r"(?:^|[_/.])(?:SDA|SCL)[0-9]?(?:$|_)",
    }.items()
}


def ground_of(nets: Mapping[str, Sequence[object]]) -> str:
    """The net that is zero volts: of those named so, the one with the most pins; "" where none is."""
    named = [net for net in nets if net.upper().lstrip("/") in _GROUND or re.fullmatch(r"/?GND[A-Z0-9_]*", net.upper())]
    rank = {name: index for index, name in enumerate(_GROUND)}
    return max(named, key=lambda net: (len(nets[net]), -rank.get(net.upper(), 99)), default="")


def leaf(net: str) -> str:
    """The last piece of a name with a path before it: "/mcu/NRST" and "MCU.NRST" are NRST; "VCC_1.8V" stays."""
    return re.split(r"[./](?=[A-Za-z+])", net)[-1]


def is_ground(net: str) -> bool:
    net = leaf(net)
    return net.upper().lstrip("/") in _GROUND or bool(re.fullmatch(r"/?[ADPS]?GND[A-Z0-9_]*", net.upper()))


def volts_of(net: str) -> float | None:
    """The voltage that a rail's name states: "+3V3", "VCC_1.8V", "5V_USB"; None where it states none."""
    net = leaf(net)
    if _NOT_RAIL.search(net):
        return None
    if net.upper().lstrip("+") in _SHORT:
        return _SHORT[net.upper().lstrip("+")]
    match = _VOLTS.search(net)
    if not match:
        return None
    tail = match["frac"] or match["tail"] or match["point"] or "0"
    volts = float(f"{match['whole']}.{tail}")
    negative = match["sign"] == "-" or (match["sign"].upper() == "N" and match.start() == 0)
    return (-volts if negative else volts) if 0.3 <= volts <= 60 else None


def is_usb(net: str) -> bool:
    return bool(_USB.match(leaf(net)))


def is_cell(net: str) -> bool:
    net = leaf(net)
    return bool(_CELL.search(net)) and not _NOT_RAIL.search(net)


def is_entry(net: str) -> bool:
    """Whether the name says that power enters there."""
    net = leaf(net)
    return bool(_ENTRY.search(net)) and not _NOT_RAIL.search(net)


def is_rail(net: str) -> bool:
    """Whether the name is that of a supply or rail."""
    net = leaf(net)
    if _NOT_RAIL.search(net) or is_ground(net):
        return False
    return volts_of(net) is not None or is_usb(net) or is_cell(net) or bool(_RAIL.search(net))


def function_of(net: str) -> str:
    """What a line is for, by its name: reset, strap, enable, select, protect, interrupt, i2c; "" if it tells none."""
    return next((name for name, pattern in _FUNCTIONS.items() if pattern.search(leaf(net))), "")
