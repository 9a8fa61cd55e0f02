"""Scanners: 34970A-type (lists, several channels at once), Keithley 2700-type and DAQ6510-type.

Sources: 34970A User's Guide p164, p240, p259 and 34970A/72A p169, p321;
Keithley 2700 User's Manual p2-11, p2-12, p2-32; DAQ6510 command words from public code.
"""

from __future__ import annotations

from typing import ClassVar

from wakeboard.instruments.virtual.hardware.scanner import RELAY_TIME, Relays
from wakeboard.instruments.virtual.scpi.data import Channels, Number, ScpiError
from wakeboard.instruments.virtual.scpi.instrument import ScpiInstrument
from wakeboard.instruments.virtual.scpi.tree import command, query, takes
from wakeboard.instruments.virtual.time.stage import Stage

LIST = Channels()
Listed = tuple[int, ...]


class ScpiScanner(ScpiInstrument):
    """What all faces share: the relays and the time that they take to move."""

    def __init__(self, stage: Stage, serial: str, relays: Relays) -> None:
        super().__init__(stage, serial)
        self.relays = relays
        self.scan_list: Listed = ()

    def reset(self) -> None:
        self.relays.arrange([])
        self.scan_list = ()

    def known(self, channels: Listed) -> Listed:
        """The channels; -222 for one that no card has."""
        for channel in channels:
            if not self.relays.knows(channel):
                raise ScpiError(-222, f"channel {channel}")
        return channels

    def settle(self, channels: Listed = ()) -> float:
        """Relays move one after another within a command, opening and closing overlap."""
        return RELAY_TIME * max(1, len(channels))

    def flags(self, channels: Listed, closed: str, other: str) -> str:
        return ",".join(closed if channel in self.relays.closed else other for channel in self.known(channels))


class Scanner34970A(ScpiScanner):
    """34970A with 34901A cards: (@101); several channels may be closed at once unless one is in the scan list."""

    identity: ClassVar[tuple[str, str]] = ("HEWLETT-PACKARD", "34970A")
    firmware: ClassVar[str] = "13-2-2"

    @query("*IDN")
    def idn(self) -> str:
        return ",".join((*self.identity, "0", self.firmware))

    @command("ROUTe:CLOSe", LIST)
    @takes("settle")
    def close(self, channels: Listed) -> None:
        if self.scan_list:
            self.relays.arrange(list(self.known(channels))[-1:])
        else:
            self.relays.close(self.known(channels))

    @query("ROUTe:CLOSe", LIST)
    def close_query(self, channels: Listed) -> str:
        return self.flags(channels, "1", "0")

    @command("ROUTe:CLOSe:EXCLusive", LIST)
    @takes("settle")
    def close_only(self, channels: Listed) -> None:
        self.relays.arrange(list(self.known(channels)))

    @command("ROUTe:OPEN", LIST)
    @takes("settle")
    def open(self, channels: Listed) -> None:
        self.relays.open(self.known(channels))

    @query("ROUTe:OPEN", LIST)
    def open_query(self, channels: Listed) -> str:
        return self.flags(channels, "0", "1")

    @query("ROUTe:DONE")
    def done(self) -> str:
        return "1"

    @command("ROUTe:SCAN", LIST)
    def scan(self, channels: Listed) -> None:
        self.scan_list = self.known(channels)

    @query("ROUTe:SCAN")
    def scan_query(self) -> str:
        text = f"(@{','.join(map(str, self.scan_list))})"
        return f"#{len(str(len(text)))}{len(text)}{text}"

    @query("ROUTe:SCAN:SIZE")
    def scan_size(self) -> str:
        return f"+{len(self.scan_list)}"

    @command("ROUTe:CHANnel:DELay", Number("S"), LIST)
    def channel_delay(self, seconds: float | str, channels: Listed) -> None:
        """Only used while scanning: closing by hand does not wait for it (DAQ970A guide p205)."""
        self.known(channels)
        if isinstance(seconds, float) and not 0 <= seconds <= 60:
            raise ScpiError(-222)

    @query("DIAGnostic:RELay:CYCLes", LIST)
    def cycles(self, channels: Listed) -> str:
        return ",".join(f"{self.relays.cycles.get(channel, 0):+d}" for channel in self.known(channels))

    @command("DIAGnostic:RELay:CYCLes:CLEar", LIST)
    def cycles_clear(self, channels: Listed) -> None:
        for channel in self.known(channels):
            self.relays.cycles.pop(channel, None)

    @query("SYSTem:CTYPe", Number(words=()))
    def card_type(self, slot: float) -> str:
        fitted = any(channel // 100 == round(slot) // 100 for channel in self.relays.routes.channels)
        return f"{self.identity[0]},{'34901A' if fitted else '0'},0,2.3"


class Scanner2700(ScpiScanner):
    """Keithley 2700: ROUT:CLOS closes one measurement channel and opens the one before; MULT acts on single relays."""

    identity: ClassVar[tuple[str, str]] = ("KEITHLEY INSTRUMENTS INC.", "MODEL 2700")
    firmware: ClassVar[str] = "B09"

    @command("ROUTe:CLOSe", LIST)
    @takes("settle")
    def close(self, channels: Listed) -> None:
        if len(channels) != 1:
            raise ScpiError(-222)
        self.relays.arrange(list(self.known(channels)))

    @query("ROUTe:CLOSe")
    def closed_list(self) -> str:
        return f"(@{','.join(map(str, sorted(self.relays.closed)))})"

    @query("ROUTe:CLOSe:STATe", LIST)
    @query("ROUTe:MULTiple:CLOSe:STATe", LIST)
    def close_state(self, channels: Listed) -> str:
        return self.flags(channels, "1", "0")

    @query("ROUTe:CLOSe:COUNt", LIST)
    def close_count(self, channels: Listed) -> str:
        return ",".join(str(self.relays.cycles.get(channel, 0)) for channel in self.known(channels))

    @command("ROUTe:MULTiple:CLOSe", LIST)
    @takes("settle")
    def close_several(self, channels: Listed) -> None:
        self.relays.close(self.known(channels))

    @query("ROUTe:MULTiple:CLOSe")
    def closed_several(self) -> str:
        return self.closed_list()

    @command("ROUTe:MULTiple:OPEN", LIST)
    @takes("settle")
    def open_several(self, channels: Listed) -> None:
        self.relays.open(self.known(channels))

    @command("ROUTe:OPEN:ALL")
    @takes("settle")
    def open_all(self) -> None:
        self.relays.arrange([])

    @query("SYSTem:CARD<n>:VMAX")
    def most_volts(self, slot: int) -> str:
        return "303"


class ScannerDaq6510(ScpiScanner):
    """Keithley DAQ6510: ROUT:CHAN:CLOS closes one, ROUT:CHAN:MULT several, ROUT:CHAN:OPEN:ALL opens everything."""

    identity: ClassVar[tuple[str, str]] = ("KEITHLEY INSTRUMENTS", "MODEL DAQ6510")
    firmware: ClassVar[str] = "1.7.12b"

    @command("ROUTe[:CHANnel]:CLOSe", LIST)
    @takes("settle")
    def close(self, channels: Listed) -> None:
        if len(channels) != 1:
            raise ScpiError(-222)
        self.relays.arrange(list(self.known(channels)))

    @query("ROUTe[:CHANnel]:CLOSe")
    def closed_list(self) -> str:
        return f"(@{','.join(map(str, sorted(self.relays.closed)))})"

    @query("ROUTe[:CHANnel]:STATe", LIST)
    def close_state(self, channels: Listed) -> str:
        return self.flags(channels, "1", "0")

    @query("ROUTe[:CHANnel]:CLOSe:COUNt", LIST)
    def close_count(self, channels: Listed) -> str:
        return ",".join(str(self.relays.cycles.get(channel, 0)) for channel in self.known(channels))

    @command("ROUTe[:CHANnel]:MULTiple:CLOSe", LIST)
    @takes("settle")
    def close_several(self, channels: Listed) -> None:
        self.relays.close(self.known(channels))

    @command("ROUTe[:CHANnel]:MULTiple:OPEN", LIST)
    @command("ROUTe[:CHANnel]:OPEN", LIST)
    @takes("settle")
    def open_several(self, channels: Listed) -> None:
        self.relays.open(self.known(channels))

    @command("ROUTe[:CHANnel]:OPEN:ALL")
    @takes("settle")
    def open_all(self) -> None:
        self.relays.arrange([])
