"""Heron, an invented board of 78 parts (a river level logger), and its files as several layout programs would write them.

The styles differ in units, headings, languages, code pages, separators, quoting, lists of references, marks for "not
fitted" and in how long net names are told. None imitates a named program.
"""
# ruff: noqa: E501  one part a line reads best

from __future__ import annotations

import io
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class P:
    """One part: value, description, package, pins by number."""

    name: str
    value: str
    says: str
    package: str
    pins: dict[str, str]
    fitted: bool = True
    bottom: bool = False


def two(name: str, value: str, says: str, package: str, a: str, b: str, **more: bool) -> P:
    return P(name, value, says, package, {"1": a, "2": b}, **more)


def _r(n: int, value: str, a: str, b: str, **more: bool) -> P:
    return two(f"R{n}", value, f"Resistor {value} 1% 0603", "R0603", a, b, **more)


def _c(n: int, value: str, volts: str, a: str, b: str = "GND", **more: bool) -> P:
    return two(f"C{n}", f"{value}/{volts}", f"Capacitor {value} {volts} X7R", "C0603", a, b, **more)


def _numbered(nets: str) -> dict[str, str]:
    return {str(k): net for k, net in enumerate(nets.split(), 1) if net != "-"}


MCU = _numbered(
    "+3V3 MCU_XIN MCU_XOUT MCU_RST ADC_LEVEL ADC_VBAT ADC_TEMP PUMP_EN SENS_EN GND +3V3 FLASH_CS FLASH_CLK FLASH_DO FLASH_DI "
    "GND SDA SCL CON_TX CON_RX BOOT0 RADIO_RST RADIO_IRQ RADIO_CS LED_STAT KEY_WAKE VBUS_DET CHG_STAT RS485_RO RS485_DE "
    "RS485_DI +3V3"
)
RADIO = _numbered("GND RADIO_RST RADIO_IRQ RADIO_CS FLASH_CLK FLASH_DI FLASH_DO +3V3 GND RF_OUT")

PARTS: list[P] = [
    P("J1", "USB-C 16P", "Connector USB-C receptacle", "USBC", _numbered("VBUS VBUS USB_CC1 USB_CC2 USB_DP USB_DM GND GND")),
    P("J2", "SCREW-2", "Terminal block 2 way, 12 V in", "TB2", _numbered("VIN_12V GND")),
    P("J3", "JST-2", "Connector for the cell", "JST2", _numbered("VBAT GND")),
    P("J4", "HDR-4", "Pin header, console", "HDR4", _numbered("GND CON_TX CON_RX +3V3")),
    P("J5", "SCREW-3", "Terminal block RS-485", "TB3", _numbered("RS_A RS_B GND")),
    P("J6", "SMA", "Coaxial connector, antenna", "SMA", _numbered("RF_ANT GND")),
    P("J7", "SCREW-3", "Terminal block, probe", "TB3", _numbered("+3V3_SENS LEVEL_IN GND")),
    two("F1", "PTC 500mA", "Resettable fuse 500mA 16V", "F1206", "VBUS", "VBUS_F"),
    two("F2", "1A", "Fuse 1 A fast", "F1206", "VIN_12V", "VIN_F"),
    two("D1", "Schottky 1A 30V", "Schottky diode 1A 30V", "SMA", "V5", "VBUS_F"),
    two("D2", "Schottky 1A 30V", "Schottky diode 1A 30V", "SMA", "V5", "BUCK_5V"),
    two("D3", "TVS 15V", "TVS diode 15V unidirectional", "SMB", "VIN_F", "GND"),
    two("D4", "LED green", "LED green 0603", "LED0603", "GND", "LED_A"),
    two("D5", "1N4148W", "Switching diode", "SOD123", "KEY_WAKE", "KEY_RAW"),
    P("U1", "MCU-32", "Microcontroller, 32 pins", "QFP32", MCU),
    P("U2", "BUCK-5V0", "Step-down converter 5V 1A SOT-23-5", "SOT23-5", _numbered("VIN_F GND BUCK_SW VIN_F BUCK_5V")),
    P("U3", "LDO 3.3V", "LDO 3.3V 500mA SOT-23-5", "SOT23-5", _numbered("VSYS GND VSYS - +3V3")),
    P("U4", "CHG-4V2", "Li-ion charger 500mA SOT-23-5", "SOT23-5", _numbered("CHG_STAT GND VBAT V5 CHG_PROG")),
    P("U5", "LSW-1A", "Load switch 1A SOT-23-5", "SOT23-5", _numbered("+3V3_SENS GND - SENS_EN +3V3")),
    P("U6", "25Q32", "SPI flash 32 Mbit SOIC-8", "SO8", _numbered("FLASH_CS FLASH_DO FLASH_WP GND FLASH_DI FLASH_CLK FLASH_HOLD +3V3")),
    P("U7", "3485", "RS-485 transceiver SOIC-8", "SO8", _numbered("RS485_RO RS485_DE RS485_DE RS485_DI GND RS_A RS_B +3V3"), bottom=True),
    P("U8", "RADIO-868", "Radio module 868 MHz", "MOD10", RADIO),
    P("U9", "RST-2.93", "Reset supervisor 2.93V SOT-23", "SOT23", _numbered("GND MCU_RST +3V3")),
    P("U10", "LM75", "Digital temperature sensor I2C", "SO8", _numbered("SDA SCL - GND GND GND GND +3V3_SENS"), bottom=True),
    P("Q1", "AO3401", "P-channel MOSFET 30V 4A", "SOT23", _numbered("V5 VSYS VBAT")),
    P("Q2", "2N7002", "N-channel MOSFET 60V", "SOT23", _numbered("PUMP_EN GND PUMP_N")),
    two("L1", "22uH 1.5A", "Inductor 22uH 1.5A", "L5040", "BUCK_SW", "BUCK_5V"),
    two("FB1", "600R@100MHz", "Ferrite bead 600R@100MHz 0603", "L0603", "+3V3", "VRADIO"),
    two("Y1", "16MHz", "Crystal 16 MHz 10 pF", "X3225", "MCU_XIN", "MCU_XOUT"),
    two("SW1", "TACT", "Tact switch", "SW6", "KEY_RAW", "GND"),
    two("D6", "Schottky 1A 30V", "Schottky diode 1A 30V", "SMA", "VSYS", "V5"),
    two("J8", "PUMP", "Connector pump", "JST2", "V5", "PUMP_N"),
    *[P(f"TP{k}", "TP", "Test point 1 mm", "TP1", {"1": net}) for k, net in enumerate(
        ("V5", "VSYS", "+3V3", "+3V3_SENS", "MCU_RST", "RADIO_RST", "GND"), 1)],
    P("H1", "M3", "Mounting hole", "M3", {}),
    _r(1, "5k1", "USB_CC1", "GND"), _r(2, "5k1", "USB_CC2", "GND"), _r(3, "100k", "VBUS", "VBUS_DET"),
    _r(4, "100k", "VBUS_DET", "GND"), _r(5, "10k", "+3V3", "MCU_RST"), _r(6, "10k", "BOOT0", "GND"),
    _r(7, "47k", "RADIO_RST", "GND"), _r(8, "100k", "RADIO_IRQ", "GND"), _r(9, "10k", "+3V3", "RADIO_CS"),
    _r(10, "10k", "+3V3", "FLASH_CS"), _r(11, "10k", "+3V3", "FLASH_WP"), _r(12, "10k", "+3V3", "FLASH_HOLD"),
    _r(13, "4k7", "+3V3_SENS", "SDA"), _r(14, "4k7", "+3V3_SENS", "SCL"), _r(15, "100k", "SENS_EN", "GND"),
    _r(16, "100k", "PUMP_EN", "GND"), _r(17, "1k", "LED_STAT", "LED_A"), _r(18, "2k", "CHG_PROG", "GND"),
    _r(19, "10k", "+3V3", "CHG_STAT"), _r(20, "1M", "VBAT", "ADC_VBAT"), _r(21, "1M", "ADC_VBAT", "GND"),
    _r(22, "120R", "RS_A", "RS_B", fitted=False), _r(23, "100k", "RS485_DE", "GND"), _r(24, "100k", "V5", "GND"),
    _r(25, "10k", "+3V3", "KEY_WAKE"), _r(26, "1k", "LEVEL_IN", "ADC_LEVEL"), _r(27, "0R", "RF_OUT", "RF_ANT"),
    _c(1, "10uF", "25V", "VIN_F"), _c(2, "22uF", "10V", "BUCK_5V"), _c(3, "10uF", "10V", "V5"),
    _c(4, "4.7uF", "10V", "VSYS"), _c(5, "4.7uF", "6.3V", "+3V3"), _c(6, "100nF", "16V", "+3V3"),
    _c(7, "100nF", "16V", "+3V3"), _c(8, "100nF", "16V", "MCU_RST"), _c(9, "4.7uF", "10V", "VBAT"),
    _c(10, "1uF", "6.3V", "+3V3_SENS"), _c(11, "18pF", "50V", "MCU_XIN"), _c(12, "18pF", "50V", "MCU_XOUT"),
    _c(13, "100nF", "16V", "VRADIO"), _c(14, "10nF", "50V", "ADC_LEVEL"), _c(15, "1pF", "50V", "RF_ANT", fitted=False),
    _c(16, "1uF", "25V", "VBUS"),
]  # fmt: skip


def spots() -> dict[str, tuple[float, float]]:
    """Places in mm, on a grid that leaves room."""
    return {part.name: (5 + 6.0 * (k % 12), 5 + 6.0 * (k // 12)) for k, part in enumerate(PARTS)}


def pads(part: P) -> list[tuple[str, str, float, float]]:
    """(pin, net, x, y) of each pad, mm."""
    x, y = spots()[part.name]
    step = 0.8 if len(part.pins) > 8 else 1.3
    return [(pin, net, x + step * (int(pin) % 6 - 2), y + step * (int(pin) // 6)) for pin, net in part.pins.items()]


def d356(cust: int, *, aliases: bool = False, blanks: bool = False) -> str:
    """A netlist: CUST 0 counts 0.0001 inch, CUST 1 0.001 mm; `aliases`: every net by NNAME."""
    scale = {0: 1 / 0.00254, 1: 1000.0}[cust]
    nets = list(dict.fromkeys(net for part in PARTS for net in part.pins.values()))
    alias = {net: f"NNAME{k}" for k, net in enumerate(nets, 1) if aliases or len(net) > 14}
    lines = ["C  netlist", f"P  UNITS CUST {cust}", *(f"P  {short} {net}" for net, short in alias.items())]
    for part in PARTS:
        for pin, net, x, y in pads(part):
            through = part.name.startswith("J")
            kind, drill = ("317", "D 900P" if blanks else "D0900P") if through else ("327", "      ")
            side = "00" if through else "02" if part.bottom else "01"
            xs, ys = (f"{round(v * scale):+07d}" for v in (x, y))
            if blanks:
                xs, ys = (f"{round(v * scale):7d}" for v in (x, y))
            size = f"{round(0.6 * scale):04d}"
            lines.append(
                f"{kind}{alias.get(net, net):<14}   {part.name:<6}-{pin:<4} {drill}A{side}X{xs}Y{ys}X{size}Y{size}R000 S1"
            )
    return "\r\n".join([*lines, "999", ""])


Cell = Callable[[P], str]


def _groups() -> list[list[P]]:
    found: dict[tuple[str, str, bool], list[P]] = {}
    for part in PARTS:
        found.setdefault((part.value, part.package, part.fitted), []).append(part)
    return list(found.values())


def _ranges(parts: list[P]) -> str:
    """R1-R3, R7: neighbours in number told as a range."""
    runs: list[list[str]] = []
    for name in (part.name for part in parts):
        letters, number = name.rstrip("0123456789"), int(name[len(name.rstrip("0123456789")) :])
        last = runs[-1][-1] if runs else ""
        if last == f"{letters}{number - 1}":
            runs[-1].append(name)
        else:
            runs.append([name])
    return ", ".join(run[0] if len(run) == 1 else f"{run[0]}-{run[-1]}" for run in runs)


def plain(folder: Path) -> dict[str, Path]:
    """Comma, English, one row a group, millimetres, not fitted in a column of its own."""
    bom = ['"Reference","Value","Footprint","Qty","Description","DNP"']
    for group in _groups():
        refs, first = ",".join(p.name for p in group), group[0]
        mark = "" if first.fitted else "DNP"
        bom.append(f'"{refs}","{first.value}","{first.package}","{len(group)}","{first.says}","{mark}"')
    places = ["Ref,Val,Package,PosX,PosY,Rot,Side"]
    for part in PARTS:
        x, y = spots()[part.name]
        places.append(
            f"{part.name},{part.value},{part.package},{x:.4f},{y:.4f},0.0,{'bottom' if part.bottom else 'top'}"
        )
    return _written(folder, d356(1), "\n".join(bom), "\n".join(places))


def german(folder: Path) -> dict[str, Path]:
    """Semicolons, German, Windows-1252, decimal commas, mils, a title above, the mark in the value."""
    bom = ["Stückliste Heron;;;;", "", "Pos;Menge;Referenz;Wert;Beschreibung"]
    for number, group in enumerate(_groups(), 1):
        value = group[0].value.replace(".", ",").replace("uF", "µF") + ("" if group[0].fitted else " (unbestückt)")
        bom.append(f"{number};{len(group)};{' '.join(p.name for p in group)};{value};{group[0].says}")
    places = ["Bestückung, Maße in mil;;;;", "Bauteil;Mid X;Mid Y;Lage;Winkel"]
    for part in PARTS:
        x, y = (f"{v / 0.0254:.1f}".replace(".", ",") for v in spots()[part.name])
        places.append(f"{part.name};{x};{y};{'unten' if part.bottom else 'oben'};90,0")
    return _written(folder, d356(0, blanks=True), "\r\n".join(bom), "\r\n".join(places), "cp1252")


def ranges(folder: Path) -> dict[str, Path]:
    """Tabs, UTF-16, references as ranges, part numbers, a column `Fitted`, units in every cell."""
    bom = ["Item\tQuantity\tReference Designator\tPart Number\tDescription\tFitted"]
    for number, group in enumerate(_groups(), 1):
        bom.append(
            f"{number}\t{len(group)}\t{_ranges(group)}\t{group[0].value}\t{group[0].says}\t"
            f"{'Fitted' if group[0].fitted else 'Not Fitted'}"
        )
    places = ["Designator\tCenter-X\tCenter-Y\tLayer\tRotation\tComment"]
    for part in PARTS:
        x, y = spots()[part.name]
        layer = "BottomLayer" if part.bottom else "TopLayer"
        places.append(f"{part.name}\t{x:.3f}mm\t{y:.3f}mm\t{layer}\t180.00\t{part.value}")
    return _written(folder, d356(0, aliases=True), "\n".join(bom), "\n".join(places), "utf-16")


def blank(folder: Path) -> dict[str, Path]:
    """Columns of blanks for the places; a workbook for the list of parts."""
    files = plain(folder)
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Heron", "", "", ""])
    sheet.append(["Designator", "Comment", "Description", "Populate"])
    for group in _groups():
        sheet.append(
            ["; ".join(p.name for p in group), group[0].value, group[0].says, "yes" if group[0].fitted else "no"]
        )
    data = io.BytesIO()
    book.save(data)
    (folder / "list.dat").write_bytes(data.getvalue())
    rows = ["### Places of parts ###", "## Unit = inch", "# Ref      PosX       PosY       Rot     Side"]
    for part in PARTS:
        x, y = (v / 25.4 for v in spots()[part.name])
        rows.append(f"{part.name:<8} {x:10.5f} {y:10.5f} {0.0:8.2f}  {'bottom' if part.bottom else 'top'}")
    (folder / "places.dat").write_text("\n".join(rows), encoding="utf-8")
    return {**files, "bom": folder / "list.dat", "places": folder / "places.dat"}


def french(folder: Path) -> dict[str, Path]:
    """Semicolons, French, Windows-1252, references merged with `à` and `et`, decimal commas, sides in words."""
    bom = ["Nomenclature;Heron;;;;;", "", "Article;Qté;Repères;Désignation;Valeur;Boîtier;Montage"]
    for number, group in enumerate(_groups(), 1):
        refs = re.sub(r"-(?=[A-Z])", " à ", _ranges(group))
        first, value = group[0], group[0].value.replace(".", ",").replace("uF", "µF")
        mark = "" if first.fitted else "NM"
        bom.append(f"{number};{len(group)};{refs};{first.says};{value};{first.package};{mark}")
    places = ["Repère\tCentre X (mm)\tCentre Y (mm)\tFace\tOrientation"]
    for part in PARTS:
        x, y = (f"{v:.3f}".replace(".", ",") for v in spots()[part.name])
        places.append(f"{part.name}\t{x}\t{y}\t{'Dessous' if part.bottom else 'Dessus'}\t0")
    return _written(folder, d356(1), "\r\n".join(bom), "\n".join(places), "cp1252")


def nameless(folder: Path) -> dict[str, Path]:
    """No heading that any list of words knows, in the list of parts; none at all in the list of places."""
    bom = ["Foo,Bar,Baz,Qux"]
    bom += [f'"{p.says}",{p.name},"{p.value}",{"" if p.fitted else "DNP"}' for p in PARTS if p.pins]
    places = []
    for part in PARTS:
        x, y = spots()[part.name]
        places.append(f"{part.name},{x:.3f},{y:.3f},{'bottom' if part.bottom else 'top'},90")
    return _written(folder, d356(1), "\n".join(bom), "\n".join(places))


def _written(folder: Path, netlist: str, bom: str, places: str, page: str = "utf-8") -> dict[str, Path]:
    files = {"netlist": folder / "net.dat", "bom": folder / "bom.dat", "places": folder / "xy.dat"}
    files["netlist"].write_text(netlist, encoding="ascii")
    files["bom"].write_text(bom, encoding=page)
    files["places"].write_text(places, encoding=page)
    return files


STYLES: dict[str, Callable[[Path], dict[str, Path]]] = {
    "plain": plain, "german": german, "ranges": ranges, "blank": blank, "french": french, "nameless": nameless,
}  # fmt: skip
