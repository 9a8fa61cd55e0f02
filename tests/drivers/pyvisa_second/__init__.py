"""A second VISA library, to PyVISA's documented interface: a package pyvisa_NAME with a WRAPPER_CLASS, a subclass of
pyvisa.highlevel.VisaLibraryBase ("Adding a backend", in PyVISA's guide). It is what "@second" names.

It answers for GPIB, USB and VXI-11 addresses, and shares nothing with PyVISA-py: the file that WAKEBOARD_SECOND_VISA
names says to which TCP port of a virtual bench each address leads ({"GPIB0::5::INSTR": 50123}). As a maker's library
does, it opens VISA's message sessions (whole messages, END), knows no sockets, and raises VisaIOError only.
"""

from __future__ import annotations

import itertools
import json
import os
import socket
from typing import Any, ClassVar

from pyvisa import attributes, constants, errors, highlevel, rname
from pyvisa.constants import ResourceAttribute, StatusCode


class SecondVisa(highlevel.VisaLibraryBase):
    _numbers: ClassVar[Any] = itertools.count(2)

    @staticmethod
    def get_library_paths() -> tuple[highlevel.LibraryPath, ...]:
        return (highlevel.LibraryPath("second"),)

    @staticmethod
    def get_debug_info() -> dict[str, str]:
        return {"Version": "second"}

    def _init(self) -> None:
        with open(os.environ["WAKEBOARD_SECOND_VISA"], encoding="utf-8") as file:
            self.ports: dict[str, int] = json.load(file)
        self.links: dict[int, socket.socket] = {}
        self.kept: dict[int, bytearray] = {}
        self.attributes: dict[int, dict[Any, Any]] = {}

    def open_default_resource_manager(self) -> Any:
        return 1, self.handle_return_value(None, StatusCode.success)

    def list_resources(self, session: Any, query: str = "?*::INSTR") -> tuple[str, ...]:
        return tuple(rname.filter(tuple(self.ports), query))

    def open(self, session: Any, resource_name: str, access_mode: Any = None, open_timeout: int = 0) -> Any:
        name = rname.to_canonical_name(resource_name)
        if name not in self.ports:
            raise errors.VisaIOError(StatusCode.error_resource_not_found)
        number = next(self._numbers)
        try:
            self.links[number] = socket.create_connection(("127.0.0.1", self.ports[name]), 5)
        except OSError:
            raise errors.VisaIOError(StatusCode.error_resource_not_found) from None
        self.kept[number] = bytearray()
        self.attributes[number] = {
            ResourceAttribute.timeout_value: 2000, ResourceAttribute.termchar: 10,
            ResourceAttribute.termchar_enabled: False, ResourceAttribute.send_end_enabled: True,
            ResourceAttribute.resource_name: name,
        }  # fmt: skip
        return number, self.handle_return_value(number, StatusCode.success)

    def close(self, session: Any) -> Any:
        link = self.links.pop(session, None)
        if link is not None:
            link.close()
        return self.handle_return_value(session, StatusCode.success)

    def write(self, session: Any, data: bytes) -> Any:
        try:
            self.links[session].sendall(data)
        except OSError:
            raise errors.VisaIOError(StatusCode.error_connection_lost) from None
        return len(data), self.handle_return_value(session, StatusCode.success)

    def read(self, session: Any, count: int) -> Any:
        """Up to the end of a message, which the TCP port marks with a line feed."""
        kept, link = self.kept[session], self.links[session]
        link.settimeout(self.attributes[session][ResourceAttribute.timeout_value] / 1000)
        while b"\n" not in kept and len(kept) < count:
            try:
                data = link.recv(4096)
            except TimeoutError:
                raise errors.VisaIOError(StatusCode.error_timeout) from None
            except OSError:
                data = b""
            if not data:
                raise errors.VisaIOError(StatusCode.error_connection_lost)
            kept += data
        size = min(count, kept.find(b"\n") + 1 or len(kept))
        taken = bytes(kept[:size])
        del kept[:size]
        ended = StatusCode.success_termination_character_read if taken.endswith(b"\n") else (
            StatusCode.success_max_count_read
        )  # fmt: skip
        return taken, self.handle_return_value(session, ended)

    def get_attribute(self, session: Any, attribute: Any) -> Any:
        table = self.attributes.get(session, {})
        if attribute not in table:
            raise errors.VisaIOError(StatusCode.error_nonsupported_attribute)
        return table[attribute], self.handle_return_value(session, StatusCode.success)

    def set_attribute(self, session: Any, attribute: Any, state: Any) -> Any:
        if attribute not in attributes.AttributesByID:
            raise errors.VisaIOError(StatusCode.error_nonsupported_attribute)
        self.attributes[session][attribute] = state
        return self.handle_return_value(session, StatusCode.success)

    def disable_event(self, session: Any, event_type: Any, mechanism: Any) -> Any:
        return self.handle_return_value(session, StatusCode.success)

    def discard_events(self, session: Any, event_type: Any, mechanism: Any) -> Any:
        return self.handle_return_value(session, StatusCode.success)


WRAPPER_CLASS = SecondVisa
assert constants.VI_SUCCESS == 0
