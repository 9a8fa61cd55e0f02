"""A scanner that connects the meter to points. The old path opens, verified, before a new one closes.

    scanner = Scanner(link, load_scanner("hp-34970a"))
    scanner.identify()
    scanner.only("103")          open the rest, verify, close 103, verify, wait until it is quiet
    scanner.closed()             ["103"], as commanded: a query tells the relay drive's state, not the contact's

Never switch under load: relays that make or break current wear out or weld. The runner sees to that; `life`, the
relay counts here, tell how far a card is used up.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from wakeboard.instruments.dialect import Asking, ScannerDialect
from wakeboard.instruments.errors import DialectError, SettingError
from wakeboard.instruments.link.link import Link
from wakeboard.instruments.link.replies import channels_of, integer, number, truth
from wakeboard.instruments.scpi.spoken import Spoken

Ch = str | int


class Scanner(Spoken[ScannerDialect]):
    """Channels are named as the instrument names them: "101", "1". Raises LinkError, InstrumentFault, SettingError."""

    def __init__(self, link: Link, dialect: ScannerDialect) -> None:
        super().__init__(link, dialect)
        self.switched: Counter[str] = Counter()
        self._closed: set[str] = set()
        self._free = False
        self._counts = dialect.count is not None

    @property
    def rated_volts(self) -> float | None:
        return self.dialect.rated_volts

    @property
    def hot_amps(self) -> float | None:
        return self.dialect.hot_amps

    @property
    def life(self) -> float:
        return self.dialect.life

    @property
    def counts(self) -> bool:
        return self._counts

    def told(self, what: str) -> object:
        """ "most_volts", see below; None where the scanner does not know the question."""
        return self.speaker.if_known(what, {"most_volts": self.most_volts}[what])

    def close(self, ch: Ch) -> None:
        """Close one channel beside what is closed, verified, and wait until the contact is quiet."""
        name = str(ch)
        self._free_channels()
        if self.dialect.one_at_a_time:
            self._closed.clear()
        self._switch(self.dialect.close, name, closed=True)

    def open(self, ch: Ch) -> None:
        """Open one channel, verified."""
        self._free_channels()
        self._switch(self.dialect.open, str(ch), closed=False)

    def only(self, ch: Ch) -> None:
        """Open whatever is closed, verify, then close one channel: never two points tied together on the way."""
        name = str(ch)
        if self.closed() == [name]:
            return
        self.open_all()
        self.close(name)

    def open_all(self) -> None:
        """Open every channel; verified where the scanner tells."""
        self._free_channels()
        known, self._closed = self._closed, set()
        if self.dialect.open_all:
            self._say(self.dialect.open_all)
        elif known:
            self._say(self.dialect.open, ",".join(sorted(known)))
        self.link.clock.sleep(self.dialect.settle)
        left = [each for each in self.closed(known) if each]
        if left:
            raise SettingError(
                f"{self.link.name}: channel {', '.join(left)} was opened and says that it is closed",
                instrument=self.link.name,
            )

    def closed(self, among: Iterable[str] = ()) -> list[str]:
        """The closed channels; where the scanner lists none: those of `among` and those closed here that say so."""
        if self.dialect.closed is not None:
            question = self.dialect.closed
            reply = self.speaker.ask([question], {})[0]
            return sorted(self.speaker.read(question, reply, channels_of), key=_order)
        return [each for each in sorted(self._closed | set(among), key=_order) if self.is_closed(each)]

    def is_closed(self, ch: Ch) -> bool:
        """What the scanner says of one channel; what it was told, where it cannot say."""
        name = str(ch)
        question = self.dialect.state
        if question is None:
            return name in (self.closed() if self.dialect.closed is not None else self._closed)
        reply = self.speaker.ask([question], {"ch": name})[0]
        return self.speaker.read(question, reply, truth)

    def count(self, ch: Ch) -> int | None:
        """Operations of a channel's relay as the card counts them; None where it does not."""
        question = self.dialect.count
        if question is None or not self._counts:
            return None
        told = self.speaker.if_known("count", lambda: self._counted(question, str(ch)))
        self._counts = told is not None  # one that does not know the question is not asked again
        return told

    def _counted(self, question: Asking, name: str) -> int:
        return self.speaker.read(question, self.speaker.ask([question], {"ch": name})[0], integer)

    def most_volts(self) -> float | None:
        """What the relays may carry, V: the card's own word, else the dialect's; None where neither tells."""
        question = self.dialect.most_volts
        if question is None:
            return self.dialect.rated_volts
        return self.speaker.read(question, self.speaker.ask([question], {})[0], number)

    def errors(self) -> list[tuple[int, str]]:
        """Take what the error queue holds: [(number, text)]."""
        return self.speaker.errors()

    def end(self) -> None:
        """End the session; the relays stay as they are."""
        self.link.close()

    def _switch(self, templates: Iterable[str], name: str, *, closed: bool) -> None:
        if not name.isdigit():
            raise DialectError(
                f"{self.link.name} has no channel {name!r}: channels are numbers", instrument=self.link.name
            )
        self._say(templates, name)
        (self._closed.add if closed else self._closed.discard)(name)
        self.switched[name] += 1
        self.link.clock.sleep(self.dialect.settle)
        if self.is_closed(name) != closed:
            raise SettingError(
                f"{self.link.name}: channel {name} was {'closed' if closed else 'opened'} and says that it is not",
                instrument=self.link.name,
            )

    def _free_channels(self) -> None:
        """A channel in a scan list cannot be switched freely: empty the list once."""
        if not self._free:
            self._free = True
            self._say(self.dialect.before)

    def _say(self, templates: Iterable[str], name: str = "") -> None:
        lines = [each.format(ch=name) for each in templates]
        if lines:
            self.speaker.group(lines, [], {})

    def after_reopening(self) -> None:
        self._free = False


def _order(name: str) -> int:
    return int(name) if name.isdigit() else 0
