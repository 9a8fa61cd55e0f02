"""One client's connection to an instrument: bytes in, bytes out, messages cut and run in between."""

from __future__ import annotations

from wakeboard.instruments.virtual.scpi.instrument import Instrument


class Port:
    """In process: running a message advances the virtual clock by what it takes.

    framed: the link marks the end of messages (USBTMC, GPIB, VXI-11, HiSLIP), so that the query errors of IEEE 488.2
    apply; a raw socket or a serial line is a mere stream.
    """

    def __init__(self, instrument: Instrument, *, framed: bool = False) -> None:
        self.instrument = instrument
        self.framed = framed
        self.output = bytearray()
        self._input = bytearray()
        self._last = -1.0

    def write(self, data: bytes) -> None:
        """Take bytes from the client and run the messages that are whole."""
        instrument = self.instrument
        if self.framed and self.output:
            self.output.clear()
            instrument.interrupted()
        self._input += data
        if self.framed and not self._input.endswith(b"\n"):
            self._input += b"\n"
        for message in instrument.cut(self._input):
            time = instrument.time
            if instrument.gap and time.now - self._last < instrument.gap:
                continue
            time.advance(instrument.latency)
            instrument.asker = self
            reply = instrument.execute(message)
            self._last = time.now
            if reply is not None:
                self.output += instrument.wrap(reply)

    def clear(self) -> None:
        """Device clear: forget what is half in and half out."""
        self._input.clear()
        self.output.clear()
