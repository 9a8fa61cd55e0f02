"""How the meter's leads reach a net: through relays (scanner, fixture), or by a person's hands.

Both know the bench file's routes and the board's points; a net is reached through any of its points. Relays are never
moved while a test resistor hangs on them: it is taken off first (hot switching wears contacts out).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Protocol

from wakeboard.instruments.errors import BenchError

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.instruments.ports import MeterPort, RelaysPort

EDGES = ("left", "top", "right", "bottom")
ORDINALS = (
    "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth", "eleventh",
    "twelfth",
)  # fmt: skip


AS_USUAL = "red lead on it, black on ground"
TURNED = "black lead on the point, red on ground: only now, the next point is as usual"


class Hands(Protocol):
    """What places a probe by hand, sees that it is held, and rings (byhand.py)."""

    def place(self, title: str, detail: str) -> None: ...
    def held(self, name: str) -> bool: ...
    def took(self, name: str, value: str) -> None: ...

    @property
    def doubt(self) -> str: ...
    def regrets(self, failed: bool) -> bool: ...
    def may_go_back(self, able: bool) -> None: ...


class HotSwitch(BenchError):
    """A relay would have to make or break more current than it may."""


class RelayProbing:
    """Through a scanner's channels. reverse: the channel that reverses the leads; short: the one that connects them
    with each other; loads: ohms -> channel of a resistor."""

    by_hand = False
    goes_back = False
    purpose = ""

    def __init__(
        self,
        scanner: RelaysPort,
        routes: Mapping[str, str],
        *,
        reverse_channel: str | None = None,
        short_channel: str | None = None,
        load_channels: Mapping[float, str] | None = None,
        meter: MeterPort | None = None,
        most_volts: float = 0.0,
    ) -> None:
        """meter, most_volts: whose test current must not flow while relays move, and what a net may have at most."""
        self.scanner = scanner
        self._meter = meter
        self._most_volts = most_volts
        self.routes = dict(routes)  # net -> channel
        self._reverse_channel = reverse_channel
        self._short_channel = short_channel
        self._loads = dict(load_channels or {})
        self._net: str | None = None
        self._reversed = False
        self._loaded: float | None = None

    def reaches(self, net: str) -> bool:
        return net in self.routes

    def order(self, nets: Sequence[str]) -> list[str]:
        """As given: relays know no distance."""
        return list(nets)

    def reach(self, net: str) -> None:
        if net == self._net and not self._reversed and self._loaded is None:
            return
        self._quiet()
        self._net, self._reversed, self._loaded = net, False, None
        self.scanner.only(self.routes[net])

    def reverse(self, on: bool) -> bool:
        if self._reverse_channel is None:
            return False
        if on != self._reversed:
            self._quiet()
            (self.scanner.close if on else self.scanner.open)(self._reverse_channel)
            self._reversed = on
        return True

    @property
    def can_short(self) -> bool:
        return self._short_channel is not None

    def short(self, again: str = "") -> None:
        """The meter's leads with each other, and no net."""
        assert self._short_channel is not None
        self._quiet()
        self._net, self._reversed, self._loaded = None, False, None
        self.scanner.only(self._short_channel)

    def regrets(self, failed: bool) -> bool:
        """Relays do not."""
        return False

    def again(self, why: str) -> None:
        """A relay needs no second try."""

    def held(self) -> bool:
        """Relays hold, unless somebody opens one: an open input reads about zero, and no short. Raises BenchError."""
        channel = None if self._net is None else self.routes[self._net]
        if channel is None or self.scanner.is_closed(channel):
            return True
        raise BenchError(
            f"channel {channel} was opened while {self._net} was measured: another program, or a hand, uses the "
            "scanner, and what was read counts for nothing",
            instrument=self.scanner.name,
        )

    def took(self, value: str) -> None:
        """Nobody waits for a bell."""

    def doubt(self, of: str) -> str:
        """A relay that is closed is closed."""
        return ""

    def loads(self) -> Sequence[float]:
        return sorted(self._loads)

    def load(self, ohms: float | None) -> float | None:
        """Put the test resistor nearest to `ohms` across the point, or take it off (None). Gives its ohms."""
        self._quiet()
        if self._loaded is not None:
            self.scanner.open(self._loads[self._loaded])
            self._loaded = None
        if ohms is None or not self._loads:
            return None
        nearest = min(self._loads, key=lambda each: abs(each - ohms))
        self._must_be_cold(nearest)
        self._loaded = nearest
        self.scanner.close(self._loads[self._loaded])
        return self._loaded

    def _quiet(self) -> None:
        """No test current of the meter flows while a relay moves: it leaves its ohms function first."""
        if self._meter is not None and self._meter.drives_current:
            self._meter.stop_current(max(self._most_volts, 1.0))

    def _must_be_cold(self, ohms: float) -> None:
        """A test resistor is switched only where less flows than the scanner's relays may break. Raises HotSwitch."""
        allowed = self.scanner.hot_amps
        if allowed is None or self._meter is None or self._most_volts / ohms <= allowed:
            return
        seen = self._meter.dc_volts(range=self._most_volts)
        amps = abs(seen.value) / ohms
        if amps > allowed:
            raise HotSwitch(
                f"the {ohms:g} Ω resistor at {seen.value:.3g} V would be switched at {amps * 1e3:.0f} mA, and the "
                f"relays of this scanner at less than {allowed * 1e3:g} mA only: use a larger resistor",
                instrument=self.scanner.name,
            )

    def counts(self) -> dict[str, int]:
        """Operations of each relay that was moved since the scanner was opened, as its card counts them over its life;
        empty where it does not count."""
        return self._counted(sorted(self.scanner.switched))

    def all_counts(self) -> dict[str, int]:
        """The same of every relay that this bench uses."""
        special = (self._reverse_channel, self._short_channel)
        return self._counted([*self.routes.values(), *self._loads.values(), *filter(None, special)])

    def _counted(self, channels: Sequence[str]) -> dict[str, int]:
        found = {channel: self.scanner.count(channel) for channel in channels} if self.scanner.counts else {}
        return {channel: count for channel, count in found.items() if count is not None}

    def release(self) -> None:
        self._quiet()
        self.scanner.open_all()
        self._net, self._reversed, self._loaded = None, False, None


class HandProbing:
    """By hand: the operator is told the point, its place and its net, and says when the probe is on it.

    tell(title, detail) shows the prompt and returns when the operator has accepted; it raises OperatorStop or Skip.
    hands: has a probe placed where the meter tells by itself when it is, sees that it is held, and rings.
    """

    by_hand = True
    goes_back = False  # whether the step has a point before this one
    purpose = ""  # what the points are probed for, where that is not plain

    def __init__(
        self,
        board: Board,
        tell: Callable[[str, str], None],
        bleed: float | None = None,
        hands: Hands | None = None,
        asks_short: bool = False,
    ) -> None:
        """asks_short: whether a person may be asked to hold the probes together."""
        self.board = board
        self._tell = tell
        self._hands = hands
        self._place_probe = hands.place if hands is not None else tell
        self._bleed = bleed
        self._asks_short = asks_short
        self._net: str | None = None
        self._point = ""
        self._detail = ""  # where the probes are, in words
        self._reversed = False

    def reaches(self, net: str) -> bool:
        """A hand reaches every net that has a point, and a supply at its connector."""
        return self.board.has_point(net)

    def order(self, nets: Sequence[str]) -> list[str]:
        """Along the edges of the board, each edge from its first pad on."""
        return sorted(nets, key=lambda net: _along(self._place(net)))

    def _place(self, net: str) -> str:
        points = self.board.points_on(net)
        if points:
            return str(self.board.points[points[0]].place)
        return next((str(supply.place) for supply in self.board.supplies.values() if supply.net == net), "")

    def reach(self, net: str) -> None:
        if net == self._net and not self._reversed:
            return
        points = self.board.points_on(net)
        self._point = points[0] if points else net
        where = f"{self._place(net) or 'place not given'}   net {net}   {AS_USUAL}"
        if self._hands is not None:
            self._hands.may_go_back(self.goes_back)
        self._put(f"Probe {self._point}", f"{where}   {self.purpose}" if self.purpose else where)
        self._net, self._reversed = net, False

    def _put(self, title: str, detail: str) -> None:
        self._place_probe(title, detail)
        self._detail = detail

    def reverse(self, on: bool) -> bool:
        """Black on the point and red on ground. Back again is no prompt of its own: the next point says how."""
        if on and not self._reversed:
            self._put(f"Reverse the leads at {self._point}", TURNED)
        elif self._reversed:
            self._net = None
        self._reversed = on
        return True

    def held(self) -> bool:
        """Whether the probe was on its point until now. Where it was not, it is asked for once more, and False says
        that what was measured meanwhile counts for nothing."""
        if self._hands is None or self._hands.held(self._point):
            return True
        self._put(f"Contact was lost: {self._point} once more", self._detail)
        return False

    def took(self, value: str) -> None:
        if self._hands is not None:
            self._hands.took(self._point, value)

    def regrets(self, failed: bool) -> bool:
        return self._hands is not None and self._hands.regrets(failed)

    def again(self, why: str) -> None:
        """The same point once more, and why."""
        self._place_probe(f"Once more: {self._point}", f"{why[0].upper()}{why[1:]} {self._detail}")

    def doubt(self, of: str) -> str:
        """What a key said of this point against what the meter saw."""
        if self._hands is None or not self._hands.doubt or of not in (self._net, self._point):
            return ""
        return f"{self._point} {self._hands.doubt}"

    @property
    def can_short(self) -> bool:
        return self._asks_short

    def short(self, again: str = "") -> None:
        """The probes' tips together; asked once a session, and again where they did not touch."""
        title = "Once more: hold the two probe tips together" if again else "Hold the two probe tips together"
        why = f"{again[0].upper()}{again[1:]}. " if again else ""
        self._tell(title, f"{why}Wakeboard checks for zero. Enter: they touch. Hold them until something else is asked")
        self._net, self._reversed = None, False

    def loads(self) -> Sequence[float]:
        return [self._bleed] if self._bleed is not None else []

    def load(self, ohms: float | None) -> float | None:
        if self._bleed is None:
            return None
        if ohms is None:
            self._tell("Take the resistor off", "leave the probes")
            return None
        self._tell(f"Put the {self._bleed:g} Ω resistor across", "from the point to ground, beside the probes")
        return self._bleed

    def counts(self) -> dict[str, int]:
        """Hands are not counted."""
        return {}

    def release(self) -> None:
        self._net, self._reversed = None, False


def _along(place: str) -> tuple[int, int, str]:
    """Edges in turn, then the count along each: "bottom edge, third pad from the left"."""
    words = re.findall(r"[a-z]+|\d+", place.casefold())
    edge = next((EDGES.index(word) for word in words if word in EDGES), len(EDGES))
    count = next((ORDINALS.index(word) for word in words if word in ORDINALS), len(ORDINALS))
    return edge, count, place
