"""The bench file: the instruments, what each is wired to, and how a probe gets to a point.

    bench = load_bench("bench.toml", board)
    bench.instruments["supply"].feeds        {"1": "USB", "2": "CELL"}     channel -> supply of the board
    bench.supplies["USB"]                    ("supply", "1"): the instrument and channel that feed it
    bench.probing.routes                     {"TP7": "103"}                point -> channel of the scanner

`virtual` needs no bench file. Nothing here opens an instrument.
"""

from __future__ import annotations

import datetime
import os
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, PrivateAttr

from wakeboard.harness.describe.board.board import Board
from wakeboard.harness.describe.problems import nearest, one_of, quoted
from wakeboard.harness.describe.toml.document import Document
from wakeboard.harness.describe.toml.fields import (
    Hertz,
    Named,
    OhmsValue,
    Seconds,
    Table,
    Volts,
    as_tuple,
    give_names,
    refused,
)
from wakeboard.harness.describe.toml.positions import Path


def _channel(found: object) -> object:
    """Channels are written 103 or "103"; instruments are told text."""
    if isinstance(found, int) and not isinstance(found, bool) and found >= 0:
        return str(found)
    if isinstance(found, str) and found.strip():
        return found.strip()
    raise refused(quoted(found), "a channel, such as 1 or 103")


Channel = Annotated[str, BeforeValidator(_channel)]
Channels = Annotated[tuple[Channel, ...], BeforeValidator(as_tuple)]


class Instrument(Named):
    """One instrument. `feeds`: channel -> supply, for a psu; `moves_to`: channel -> further supplies that its leads are
    moved to by hand, when told and with everything off. `sees`: channel -> the point or net that its probe sits on, for
    a scope; `probe`: its probes' ratio, 10 for 10:1.

    address: a VISA resource name; identity: text that its *IDN? answer must hold; dialect: when *IDN? does not tell;
    terminator: what ends a line, where it is not the dialect's; calibrated and due: dates that go with every reading.
    """

    kind: Literal["psu", "dmm", "scanner", "scope"] = Field(description='"psu", "dmm", "scanner" or "scope"')
    address: str = Field(min_length=1, description='its VISA address, such as "TCPIP::192.0.2.10::5025::SOCKET"')
    dialect: str | None = None
    identity: str | None = None
    feeds: dict[str, str] = Field(default_factory=dict)
    sees: dict[str, str] = Field(default_factory=dict)
    probe: float = Field(10.0, gt=0, le=1000)
    moves_to: dict[str, Annotated[tuple[str, ...], BeforeValidator(as_tuple)]] = Field(default_factory=dict)
    timeout: Seconds = 3.0
    terminator: str | None = None
    calibrated: datetime.date | None = None
    due: datetime.date | None = None
    says: str = ""
    _visa: str | None = PrivateAttr(None)

    @property
    def visa(self) -> str | None:
        """The VISA library that its bench names."""
        return self._visa


class Bleed(Table):
    """A resistor that the bench can put from a point to ground. route: its scanner channel; None: put on by hand."""

    ohms: OhmsValue = Field(description='its resistance, such as "10k ± 1 %"')
    route: Channel | None = None


class Probing(Table):
    """How the meter reaches a point: by hand, through a scanner's channels, or through a fixture wired to them.

    scanner: which instrument, where the bench has several; routes: point (or net) -> channel; reverse: the channel that
    reverses the meter's leads, where there is one; short: one that connects them with each other, to see that the
    meter reads zero; volts: what relays, cables and fixture may carry, where it is less than the scanner says.
    """

    by: Literal["hand", "scanner", "fixture"] = "hand"
    scanner: str | None = None
    routes: dict[str, Channel] = Field(default_factory=dict)
    reverse: Channel | None = None
    short: Channel | None = None
    volts: Volts | None = None
    bleed: Bleed | None = None


class BenchLink(Named):
    """The serial line to a board's link of the same name. dtr, rts: left as the system has them unless said here."""

    port: str = Field(min_length=1, description='the port, such as "/dev/ttyUSB0" or "COM3"')
    baud: int | None = Field(None, gt=0, le=20_000_000)
    dtr: bool | None = None
    rts: bool | None = None
    says: str = ""


class Volume(Named):
    """A medium of the board that is mounted on the computer, for transfer steps."""

    path: str = Field(min_length=1, description="where it is mounted")


class Bench(Table):
    instruments: dict[str, Instrument] = Field(min_length=1, description="at least one [instruments.NAME]")
    probing: Probing = Probing()
    links: dict[str, BenchLink] = Field(default_factory=dict)
    volumes: dict[str, Volume] = Field(default_factory=dict)
    mains: Hertz | None = Field(None, description='the mains frequency at the bench, "50 Hz" or "60 Hz"')
    visa: str | None = Field(None, min_length=1, description='"@py", "@ivi", or the path of a VISA library')
    name: str = ""
    says: str = ""
    _file: str = PrivateAttr("")
    _text: str = PrivateAttr("")

    def comes_from(self, file: str, text: str) -> None:
        """Where the bench was read."""
        self._file, self._text = file, text

    def model_post_init(self, _context: object) -> None:
        for tables in (self.instruments, self.links, self.volumes):
            give_names(tables)
        for instrument in self.instruments.values():
            instrument._visa = self.visa

    @property
    def file(self) -> str:
        return self._file

    @property
    def text(self) -> str:
        return self._text

    def of_kind(self, kind: str) -> list[Instrument]:
        return [each for each in self.instruments.values() if each.kind == kind]

    @property
    def supplies(self) -> dict[str, tuple[str, str]]:
        """Supply of the board -> (instrument, channel) that feeds it without any lead being moved."""
        return {
            supply: (instrument.name, channel)
            for instrument in self.instruments.values()
            for channel, supply in instrument.feeds.items()
        }

    @property
    def by_turns(self) -> dict[str, str]:
        """Supply that an output's leads are moved to -> the supply that the output feeds first."""
        return {
            supply: instrument.feeds[channel]
            for instrument in self.instruments.values()
            for channel, supplies in instrument.moves_to.items()
            for supply in supplies
        }

    @property
    def scanner(self) -> Instrument | None:
        """The scanner that probing goes through; None where probing is by hand."""
        if self.probing.by == "hand":
            return None
        if self.probing.scanner is not None:
            return self.instruments[self.probing.scanner]
        scanners = self.of_kind("scanner")
        return scanners[0] if scanners else None


def check_bench(bench: Bench, document: Document, board: Board | None) -> None:
    """Add what does not fit together in a bench, and with the board where one is given."""
    _feeds(bench, document, board)
    _probing(bench, document, board)
    for name, instrument in bench.instruments.items():
        _address(document, name, instrument.address)
        _dialect(document, name, instrument)
        if instrument.kind != "psu" and instrument.feeds and not _kinds_unknown(document):
            document.add(("instruments", name, "feeds"), f"feeds on a {instrument.kind}", 'only a "psu" feeds supplies')
        if instrument.kind != "scope" and instrument.sees and not _kinds_unknown(document):
            document.add(("instruments", name, "sees"), f"sees on a {instrument.kind}", 'only a "scope" sees points')
        _sees(document, name, instrument, board)
        if instrument.calibrated and instrument.due and instrument.due < instrument.calibrated:
            document.add(("instruments", name, "due"), str(instrument.due), "a date after `calibrated`")
    if board is not None:
        for name in bench.links:
            _known(document, ("links", name), name, board.links, "link", "of the board")


def _sees(document: Document, name: str, instrument: Instrument, board: Board | None) -> None:
    seen: dict[str, str] = {}
    for channel, point in instrument.sees.items():
        path: Path = ("instruments", name, "sees", channel)
        if point in seen:
            document.add(path, f"{quoted(point)}, which channel {seen[point]} sees already", "a point for each channel")
        seen.setdefault(point, channel)
        if board is not None:
            _known(document, path, point, {*board.points, *board.nets}, "point", "of the board")


def _address(document: Document, name: str, address: str) -> None:
    from pyvisa.rname import InvalidResourceName, ResourceName

    try:
        ResourceName.from_string(address)
    except InvalidResourceName:
        allowed = 'a VISA address, such as "TCPIP::192.0.2.10::5025::SOCKET" or "USB0::0x1AB1::0x0588::SERIAL::INSTR"'
        document.add(("instruments", name, "address"), quoted(address), allowed)


def place_dialects(document: Document) -> None:
    """A dialect that stands in a file beside the bench's, else in the user's folder: its whole path, since the guard's
    process reads it too."""
    tables = document.data.get("instruments")
    for table in tables.values() if isinstance(tables, dict) else ():
        named = table.get("dialect") if isinstance(table, dict) else None
        if isinstance(named, str) and named.endswith(".toml"):
            beside = os.path.abspath(os.path.join(os.path.dirname(document.file), named))
            users = os.path.join(user_dialects(), named)
            table["dialect"] = users if os.path.isfile(users) and not os.path.isfile(beside) else beside


def user_dialects() -> str:
    """Where dialects of a person's own stand, for every bench."""
    import platformdirs

    return os.path.join(platformdirs.user_config_dir("wakeboard", appauthor=False), "dialects")


def _own_dialect(document: Document, path: Path, file: str, kind: str) -> None:
    from wakeboard.instruments.dialect import load_dialect
    from wakeboard.instruments.errors import DialectError

    try:
        dialect = load_dialect(file)
    except DialectError as error:
        document.add(path, str(error), "a dialect's file")
        return
    if dialect.kind != kind:
        document.add(path, f"{quoted(os.path.basename(file))}, a dialect for a {dialect.kind}", f"one for a {kind}")


def _dialect(document: Document, name: str, instrument: Instrument) -> None:
    if instrument.dialect is None or _kinds_unknown(document):
        return
    from wakeboard.instruments.dialect import dialect_names

    if instrument.dialect.endswith(".toml"):
        _own_dialect(document, ("instruments", name, "dialect"), instrument.dialect, instrument.kind)
        return
    known = dialect_names(instrument.kind)
    if instrument.dialect not in known:
        path = ("instruments", name, "dialect")
        found = f"the dialect {quoted(instrument.dialect)} for a {instrument.kind}"
        document.add(path, found, one_of(known, 20), nearest(instrument.dialect, known))


def _feeds(bench: Bench, document: Document, board: Board | None) -> None:
    seen: dict[str, str] = {}
    for name, instrument in bench.instruments.items():
        for channel, supply in instrument.feeds.items():
            path: Path = ("instruments", name, "feeds", channel)
            place = f"channel {channel} of {name}"
            if supply in seen:
                document.add(
                    path, f"{quoted(supply)}, which {seen[supply]} feeds already", "one channel for each supply"
                )
            seen.setdefault(supply, place)
            if board is not None:
                _known(document, path, supply, board.supplies, "supply", "of the board")
    for name, instrument in bench.instruments.items():
        for channel, supplies in instrument.moves_to.items():
            path = ("instruments", name, "moves_to", channel)
            if channel not in instrument.feeds:
                allowed = "a channel of feeds: the supply that it begins with"
                document.add(path, f"channel {channel}, which feeds nothing", allowed)
            for supply in supplies:
                if supply in seen:
                    found = f"{quoted(supply)}, which {seen[supply]} feeds already"
                    document.add(path, found, "one output for each supply")
                seen.setdefault(supply, f"channel {channel} of {name}")
                if board is not None:
                    _known(document, path, supply, board.supplies, "supply", "of the board")


def _probing(bench: Bench, document: Document, board: Board | None) -> None:
    probing = bench.probing
    scanners = [each.name for each in bench.of_kind("scanner")]
    if probing.scanner is not None:
        _known(document, ("probing", "scanner"), probing.scanner, scanners, "scanner", "of this file")
    elif probing.by != "hand" and len(scanners) != 1 and not _kinds_unknown(document):
        document.add(("probing", "by"), f"{len(scanners)} scanners", 'scanner = "…", one of [instruments] of that kind')
    if probing.by != "hand" and not probing.routes:
        document.add(("probing",), "no routes", "routes = { TP7 = 103, … }")
    channels: dict[str, str] = {}
    for point, channel in probing.routes.items():
        path: Path = ("probing", "routes", point)
        if channel in channels:
            document.add(
                path, f"channel {channel}, which reaches {channels[channel]} already", "a channel for each point"
            )
        channels.setdefault(channel, point)
        if board is not None:
            _known(document, path, point, {*board.points, *board.nets}, "point", "of the board")
    for key, special in (("reverse", probing.reverse), ("short", probing.short)):
        if special is not None and special in channels:
            document.add(("probing", key), f"channel {special}, a route already", "a channel of its own")
    if probing.bleed and probing.bleed.route in channels:
        document.add(
            ("probing", "bleed", "route"), f"channel {probing.bleed.route}, a route already", "a channel of its own"
        )


def _kinds_unknown(document: Document) -> bool:
    """Whether a mistaken kind is told already, so that nothing can be said of how many there are of each."""
    return any(path[:1] == ("instruments",) and path[-1] == "kind" for path in document.mended)


def _known(document: Document, path: Path, name: str, names: Any, what: str, of: str) -> None:
    if name not in names:
        document.add(path, f"the {what} {quoted(name)}", f"a {what} {of}: {one_of(names)}", nearest(name, names))
