"""A virtual supply's outputs as a supply port."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from wakeboard.instruments.ports import Ch, OutputSample

if TYPE_CHECKING:
    from wakeboard.instruments.dialect_tables import Accuracy, Can
    from wakeboard.instruments.ports import Mode, Trip
    from wakeboard.instruments.scpi.psu import Psu
    from wakeboard.instruments.virtual.hardware.psu import Output, Supply


@dataclass(frozen=True)
class SupplyFacts:
    """What a driver knows of a supply by now, kept so that nobody asks again."""

    name: str
    can: Can
    amps_accuracy: Accuracy
    channels: Sequence[str]
    most_ocp_delays: Mapping[str, float | None]
    settle_s: float | None = None

    @classmethod
    def of(cls, psu: Psu) -> SupplyFacts:
        delays = {channel: psu.most_ocp_delay(channel) for channel in psu.channels}
        return cls(psu.name, psu.can, psu.amps_accuracy, tuple(psu.channels), delays, psu.settle_s)


class DirectSupply:
    """One supply. It does what it is told, so that nothing needs to be read back."""

    def __init__(self, facts: SupplyFacts, supply: Supply) -> None:
        self.name = facts.name
        self.can = facts.can
        self.amps_accuracy = facts.amps_accuracy
        self.channels = facts.channels
        self.settle_s = facts.settle_s
        self._delays = facts.most_ocp_delays
        self._stage = supply.outputs[0].stage
        self._outputs: dict[str, Output] = {str(output.number): output for output in supply.outputs}
        self._commanded: set[str] = set()
        self._seen: dict[Ch, tuple[object, tuple[float, float, Mode, bool, Trip]]] = {}

    def _output(self, ch: Ch) -> Output:
        return self._outputs[str(ch)]

    def told(self, what: str) -> None:
        return None

    # --- setting ----------------------------------------------------------------------------------------------------
    def set(self, ch: Ch, volts: float, amps: float) -> None:
        output = self._output(ch)
        output.set_amps(amps)
        output.set_volts(volts)

    def most_ocp_delay(self, ch: Ch) -> float | None:
        return self._delays[str(ch)]

    def check_settings(self, ch: Ch) -> None:
        """Nobody else can change them here."""

    def unprotect(self, ch: Ch) -> None:
        self._output(ch).settings.ocp_on = False

    def protect(self, ch: Ch, ovp: float | None = None, ocp: float | None = None, delay: float | None = None) -> None:
        output = self._output(ch)
        if delay is not None:
            output.settings.ocp_delay = delay
        if ovp is not None:
            output.set_ovp(ovp)
            output.settings.ovp_on = True
        if ocp is not None:
            output.set_ocp(ocp)
            output.settings.ocp_on = True

    def on(self, ch: Ch) -> None:
        self._output(ch).switch(True)
        self._commanded.add(str(ch))

    def off(self, ch: Ch) -> bool:
        self._output(ch).switch(False)
        self._commanded.discard(str(ch))
        return True

    def clear(self, ch: Ch) -> bool:
        output = self._output(ch)
        self.off(ch)
        output.set_volts(0.0)
        output.clear(False)
        return False

    # --- looking ----------------------------------------------------------------------------------------------------
    def is_on(self, ch: Ch) -> bool:
        return self._output(ch).on

    def tripped(self, ch: Ch) -> Trip:
        output = self._output(ch)
        return output.tripped or ("other" if str(ch) in self._commanded and not output.on else None)

    def untripped(self, ch: Ch) -> bool:
        return self._output(ch).tripped is None

    def measure(self, ch: Ch) -> tuple[float, float]:
        output = self._output(ch)
        return output.read_volts(), output.read_amps()

    def sample(self, ch: Ch) -> OutputSample:
        """What the output shows: the same until something changes, since the circuit is settled at once."""
        output = self._output(ch)
        trip = self.tripped(ch)
        key = self._stage.version, output.on, trip
        known = self._seen.get(ch)
        if known is None or known[0] != key:
            mode: Mode = output.mode if output.on and trip is None else "off"
            known = self._seen[ch] = key, (output.read_volts(), output.read_amps(), mode, output.on, trip)
        return OutputSample(*known[1], self._stage.now)
