"""From an address to a driver, and what is refused on the way.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import pytest

from wakeboard.instruments.errors import DialectError, IdentityError, LinkError
from wakeboard.instruments.link.link import Link
from wakeboard.instruments.scpi.opening import open_instrument, open_psu


def says(text):
    def script(session, line):
        if "*IDN?" in line:
            session.say(text + "\n")
        elif "*ESR?" in line:
            session.say("0\n")

    return script


def test_the_dialect_is_picked_by_identity(serve):
    psu = open_psu(serve(says("Keysight Technologies,E36312A,MY1,2.1")).address, name="supply")
    assert psu.dialect.name == "keysight-e36300"
    assert psu.limits("1").volts == 6.0
    psu.close()


def test_another_serial_number_is_refused_and_the_lock_is_free_again(serve):
    """Two addresses swapped: each instrument is who it is, and neither is who is expected."""
    address = serve(says("Keysight Technologies,E36312A,MY1,2.1")).address
    for _ in range(2):
        with pytest.raises(IdentityError, match="'MY2' is expected"):
            open_psu(address, name="supply", identity="MY2")


def test_a_supply_where_a_meter_is_expected(serve):
    with pytest.raises(DialectError, match="no dmm dialect fits"):
        open_instrument("dmm", serve(says("Keysight Technologies,E36312A,MY1,2.1")).address, name="meter")


def test_a_dialect_of_another_kind():
    with pytest.raises(DialectError, match="is for a psu, meter is a dmm"):
        open_instrument("dmm", "TCPIP::192.0.2.1::1::SOCKET", name="meter", dialect="rigol-dp800")


def test_a_silent_instrument_is_named(serve):
    with pytest.raises(LinkError, match="instrument supply"):
        open_psu(serve(lambda session, line: None).address, name="supply", timeout=0.2)


def test_a_press_while_it_says_who_it_is_leaves_it_closed(serve, monkeypatch):
    def pressed(link):
        raise KeyboardInterrupt

    peer = serve(says("Keysight Technologies,E36312A,MY1,2.1"))
    with monkeypatch.context() as patch:
        patch.setattr(Link, "who", pressed)
        with pytest.raises(KeyboardInterrupt):
            open_psu(peer.address, name="supply")
    open_psu(peer.address, name="supply").close()  # nobody holds it any more
    assert peer.sessions[0].connection.recv(1) == b"", "the session was ended"
