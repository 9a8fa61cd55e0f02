"""The virtual bench in process: a VISA library that is handed to pyvisa.ResourceManager.

    library = VirtualVisa.of({"TCPIP::virtual-psu::5025::SOCKET": psu, ...}, stage)
    manager = pyvisa.ResourceManager(library)

Time is the stage's: a read that finds nothing lets its timeout pass on the virtual clock and raises VI_ERROR_TMO. One
library object serves one bench (pyvisa keeps library objects by class and path, hence the counter in the path).
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping

from pyvisa import attributes, constants, errors, rname
from pyvisa.constants import EventMechanism, EventType, ResourceAttribute, StatusCode
from pyvisa.highlevel import VisaLibraryBase
from pyvisa.typing import VISAEventContext, VISARMSession, VISASession

from wakeboard.instruments.virtual.scpi.instrument import Instrument
from wakeboard.instruments.virtual.time.stage import Stage
from wakeboard.instruments.virtual.wire.port import Port

_NUMBERS = itertools.count(1)
_OK = StatusCode.success
_ATTRIBUTES = ResourceAttribute
_MANAGER = VISARMSession(1)

State = int | bool | str  # of an attribute
Attribute = ResourceAttribute | constants.EventAttribute
Opened = VISASession | VISAEventContext | VISARMSession


class _Session:
    """One opened resource."""

    __slots__ = ("attributes", "name", "port")

    def __init__(self, name: str, port: Port) -> None:
        self.name = name
        self.port = port
        self.attributes: dict[Attribute, State] = {
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
        self._sessions: dict[Opened, _Session] = {}
        self._next = itertools.count(2)

    # --- sessions ---------------------------------------------------------------------------------------------------
    def open_default_resource_manager(self) -> tuple[VISARMSession, StatusCode]:
        return _MANAGER, self.handle_return_value(None, _OK)

    def list_resources(self, session: VISARMSession, query: str = "?*::INSTR") -> tuple[str, ...]:
        return rname.filter(tuple(self._instruments), query)

    def open(
        self,
        session: VISARMSession,
        resource_name: str,
        access_mode: constants.AccessModes = constants.AccessModes.no_lock,
        open_timeout: int = 0,
    ) -> tuple[VISASession, StatusCode]:
        name = _canonical(resource_name)
        instrument = self._instruments.get(name)
        if instrument is None:
            raise errors.VisaIOError(StatusCode.error_resource_not_found)
        number = VISASession(next(self._next))
        self._sessions[number] = _Session(name, Port(instrument, framed=name.endswith("INSTR") and name[:4] != "ASRL"))
        return number, self.handle_return_value(number, _OK)

    def close(self, session: Opened) -> StatusCode:
        self._sessions.pop(session, None)
        return self.handle_return_value(session, _OK)

    def _session(self, session: Opened) -> _Session:
        found = self._sessions.get(session)
        if found is None:
            raise errors.InvalidSession
        return found

    # --- reading and writing ----------------------------------------------------------------------------------------
    def write(self, session: VISASession, data: bytes) -> tuple[int, StatusCode]:
        self._session(session).port.write(data)
        return len(data), _OK

    def read(self, session: VISASession, count: int) -> tuple[bytes, StatusCode]:
        opened = self._session(session)
        output = opened.port.output
        ended = opened.attributes[_ATTRIBUTES.termchar_enabled]
        place = output.find(int(opened.attributes[_ATTRIBUTES.termchar])) if ended else -1
        if 0 <= place < count:
            return self._taken(output, place + 1), StatusCode.success_termination_character_read
        if len(output) >= count:
            return self._taken(output, count), StatusCode.success_max_count_read
        if output and opened.port.framed:
            return self._taken(output, len(output)), _OK
        return self._nothing(session, opened)

    @staticmethod
    def _taken(output: bytearray, count: int) -> bytes:
        taken = bytes(output[:count])
        del output[:count]
        return taken

    def _nothing(self, session: VISASession, opened: _Session) -> tuple[bytes, StatusCode]:
        """Nothing whole is there, and nothing comes by itself: the timeout passes."""
        self._stage.advance(int(opened.attributes[_ATTRIBUTES.timeout_value]) / 1000)
        if opened.port.framed:
            opened.port.instrument.unterminated()
        return b"", self.handle_return_value(session, StatusCode.error_timeout)

    def clear(self, session: VISASession) -> StatusCode:
        self._session(session).port.clear()
        return self.handle_return_value(session, _OK)

    def flush(self, session: VISASession, mask: constants.BufferOperation) -> StatusCode:
        self._session(session).port.output.clear()
        return self.handle_return_value(session, _OK)

    def read_stb(self, session: VISASession) -> tuple[int, StatusCode]:
        opened = self._session(session)
        status = getattr(opened.port.instrument, "status_byte", None)
        if not opened.port.framed or status is None:
            return 0, self.handle_return_value(session, StatusCode.error_nonsupported_operation)
        waiting = 16 if opened.port.output else 0
        return status() | waiting, self.handle_return_value(session, _OK)

    # --- attributes and events --------------------------------------------------------------------------------------
    def get_attribute(self, session: Opened, attribute: Attribute) -> tuple[State, StatusCode]:
        if session == _MANAGER:
            return self._manager_attribute()
        values = self._session(session).attributes
        if attribute not in values:
            known = attributes.AttributesByID.get(attribute)
            default = getattr(known, "default", 0)
            values[attribute] = 0 if default is attributes.NotAvailable else default
        return values[attribute], self.handle_return_value(session, _OK)

    def _manager_attribute(self) -> tuple[State, StatusCode]:
        return 0, self.handle_return_value(_MANAGER, StatusCode.error_nonsupported_attribute)

    def set_attribute(self, session: VISASession, attribute: ResourceAttribute, attribute_state: State) -> StatusCode:
        self._session(session).attributes[attribute] = attribute_state
        return self.handle_return_value(session, _OK)

    def disable_event(self, session: VISASession, event_type: EventType, mechanism: EventMechanism) -> StatusCode:
        return _OK

    def discard_events(self, session: VISASession, event_type: EventType, mechanism: EventMechanism) -> StatusCode:
        return _OK


def _canonical(name: str) -> str:
    """A resource name as the VISA library writes it, for comparing."""
    try:
        return str(rname.to_canonical_name(name))
    except rname.InvalidResourceName:
        return name
