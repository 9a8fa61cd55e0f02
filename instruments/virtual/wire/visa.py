"""The virtual bench in process: a VISA library that is handed to pyvisa.ResourceManager.

    library = VirtualVisa.of({"TCPIP::virtual-psu::5025::SOCKET": psu, ...}, stage)
    manager = pyvisa.ResourceManager(library)

Time is the stage's: a read that finds nothing lets its timeout pass on the virtual clock and raises VI_ERROR_TMO. One
library object serves one bench (pyvisa keeps library objects by class and path, hence the counter in the path).
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import Any

from pyvisa import attributes, constants, errors, rname
from pyvisa.highlevel import VisaLibraryBase

from wakeboard.instruments.virtual.scpi.instrument import Instrument
from wakeboard.instruments.virtual.time.stage import Stage
from wakeboard.instruments.virtual.wire.port import Port

_NUMBERS = itertools.count(1)
_OK = constants.StatusCode.success
_ATTRIBUTES = constants.ResourceAttribute


class _Session:
    """One opened resource."""

    __slots__ = ("attributes", "name", "port")

    def __init__(self, name: str, port: Port) -> None:
        self.name = name
        self.port = port
        self.attributes: dict[Any, Any] = {
            _ATTRIBUTES.timeout_value: 2000,
            _ATTRIBUTES.termchar: 10,
            _ATTRIBUTES.termchar_enabled: False,
            _ATTRIBUTES.send_end_enabled: True,
            _ATTRIBUTES.resource_name: name,
        }


class VirtualVisa(VisaLibraryBase):
    """Reads and writes go straight to the instruments; what a virtual bench does not need is not supported."""

    _instruments: dict[str, Instrument]
    _stage: Stage

    @classmethod
    def of(cls, instruments: Mapping[str, Instrument], stage: Stage) -> VirtualVisa:
        """A library that reaches `instruments` by their resource names."""
        library: VirtualVisa = cls(f"virtual bench {next(_NUMBERS)}")
        library._instruments = {_canonical(name): instrument for name, instrument in instruments.items()}
        library._stage = stage
        return library

    def _init(self) -> None:
        self._instruments = {}
        self._sessions: dict[int, _Session] = {}
        self._next = itertools.count(2)

    # --- sessions ---------------------------------------------------------------------------------------------------
    def open_default_resource_manager(self) -> tuple[Any, Any]:
        return 1, self.handle_return_value(None, _OK)

    def list_resources(self, session: Any, query: str = "?*::INSTR") -> tuple[str, ...]:
        return rname.filter(tuple(self._instruments), query)

    def open(self, session: Any, resource_name: str, access_mode: Any = None, open_timeout: int = 0) -> tuple[Any, Any]:
        name = _canonical(resource_name)
        instrument = self._instruments.get(name)
        if instrument is None:
            raise errors.VisaIOError(constants.StatusCode.error_resource_not_found)
        number: Any = next(self._next)
        self._sessions[number] = _Session(name, Port(instrument, framed=name.endswith("INSTR") and name[:4] != "ASRL"))
        return number, self.handle_return_value(number, _OK)

    def close(self, session: Any) -> Any:
        self._sessions.pop(session, None)
        return self.handle_return_value(session, _OK)

    def _session(self, session: Any) -> _Session:
        found = self._sessions.get(session)
        if found is None:
            raise errors.InvalidSession
        return found

    # --- reading and writing ----------------------------------------------------------------------------------------
    def write(self, session: Any, data: bytes) -> tuple[Any, Any]:
        self._session(session).port.write(data)
        return len(data), _OK

    def read(self, session: Any, count: int) -> tuple[Any, Any]:
        opened = self._session(session)
        output = opened.port.output
        ended = opened.attributes[_ATTRIBUTES.termchar_enabled]
        place = output.find(opened.attributes[_ATTRIBUTES.termchar]) if ended else -1
        if 0 <= place < count:
            return self._taken(output, place + 1), constants.StatusCode.success_termination_character_read
        if len(output) >= count:
            return self._taken(output, count), constants.StatusCode.success_max_count_read
        if output and opened.port.framed:
            return self._taken(output, len(output)), _OK
        return self._nothing(session, opened)

    @staticmethod
    def _taken(output: bytearray, count: int) -> bytes:
        taken = bytes(output[:count])
        del output[:count]
        return taken

    def _nothing(self, session: Any, opened: _Session) -> tuple[Any, Any]:
        """Nothing whole is there, and nothing comes by itself: the timeout passes."""
        self._stage.advance(opened.attributes[_ATTRIBUTES.timeout_value] / 1000)
        if opened.port.framed:
            opened.port.instrument.unterminated()
        return b"", self.handle_return_value(session, constants.StatusCode.error_timeout)

    def clear(self, session: Any) -> Any:
        self._session(session).port.clear()
        return self.handle_return_value(session, _OK)

    def flush(self, session: Any, mask: Any) -> Any:
        self._session(session).port.output.clear()
        return self.handle_return_value(session, _OK)

    def read_stb(self, session: Any) -> tuple[Any, Any]:
        opened = self._session(session)
        status = getattr(opened.port.instrument, "status_byte", None)
        if not opened.port.framed or status is None:
            return 0, self.handle_return_value(session, constants.StatusCode.error_nonsupported_operation)
        waiting = 16 if opened.port.output else 0
        return status() | waiting, self.handle_return_value(session, _OK)

    # --- attributes and events --------------------------------------------------------------------------------------
    def get_attribute(self, session: Any, attribute: Any) -> tuple[Any, Any]:
        if session == 1:
            return self._manager_attribute(session, attribute)
        values = self._session(session).attributes
        if attribute not in values:
            known = attributes.AttributesByID.get(attribute)
            default = getattr(known, "default", 0)
            values[attribute] = 0 if default is attributes.NotAvailable else default
        return values[attribute], self.handle_return_value(session, _OK)

    def _manager_attribute(self, session: Any, attribute: Any) -> tuple[Any, Any]:
        return 0, self.handle_return_value(session, constants.StatusCode.error_nonsupported_attribute)

    def set_attribute(self, session: Any, attribute: Any, attribute_state: Any) -> Any:
        self._session(session).attributes[attribute] = attribute_state
        return self.handle_return_value(session, _OK)

    def disable_event(self, session: Any, event_type: Any, mechanism: Any) -> Any:
        return _OK

    def discard_events(self, session: Any, event_type: Any, mechanism: Any) -> Any:
        return _OK


def _canonical(name: str) -> str:
    """A resource name as the VISA library writes it, for comparing."""
    try:
        return str(rname.to_canonical_name(name))
    except rname.InvalidResourceName:
        return name
