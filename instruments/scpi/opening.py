"""From an address to a driver: open the link, ask who answers, pick the dialect, check the identity.

psu = open_psu("TCPIP::192.0.2.10::5025::SOCKET", name="supply")
open_instrument("dmm", address, name="meter", identity="MY53001234", dialect="hp-34401a")
"""

from __future__ import annotations

from typing import Any

from wakeboard.instruments.clock import Clock
from wakeboard.instruments.dialect import Dialect, DmmDialect, PsuDialect, ScopeDialect, load_dialect, pick_dialect
from wakeboard.instruments.errors import DialectError, IdentityError, LinkBusy
from wakeboard.instruments.link.address import HERE, hosts_of
from wakeboard.instruments.link.link import Link
from wakeboard.instruments.link.traffic import TrafficLog
from wakeboard.instruments.scpi.dmm import Dmm
from wakeboard.instruments.scpi.psu import Psu
from wakeboard.instruments.scpi.scanner import Scanner
from wakeboard.instruments.scpi.scope import Scope

Driver = Psu | Dmm | Scanner | Scope
NO_SERIAL = ("", "0")  # what instruments without a serial number say


def open_instrument(
    kind: str,
    address: str,
    *,
    name: str,
    dialect: str | None = None,
    identity: str | None = None,
    timeout: float = 3.0,
    terminator: str | None = None,
    resource_manager: object = None,
    visa: str | None = None,
    traffic: TrafficLog | None = None,
    clock: Clock | None = None,
    exclusive: bool | None = None,
) -> Driver:
    """A driver that has identified its instrument. identity: text that its *IDN? reply must hold.

    Raises LinkError, IdentityError, DialectError; nothing stays open then.
    """
    named = None if dialect is None else load_dialect(dialect)
    if named is not None and named.kind != kind:
        raise DialectError(f"dialect {dialect} is for a {named.kind}, {name} is a {kind}", instrument=name)
    link = Link.open(
        address,
        name=name,
        resource_manager=resource_manager,
        visa=visa,
        terminator=terminator if named is None else None,
        timeout=timeout,
        traffic=traffic,
        clock=clock,
        manners=None if named is None else named.link.manners(),
        exclusive=exclusive,
    )
    try:
        text = link.who()
        if identity is not None and identity.casefold() not in text.casefold():
            raise IdentityError(
                f"{name} at {address}: {identity!r} is expected, {text.strip()!r} answers", instrument=name
            )
        driver = driver_for(link, named if named is not None else pick_dialect(text, kind))
        driver.identify()
        if link.holds:
            _check_alone(driver)
    except BaseException:  # a Ctrl-C among them
        link.close()
        raise
    return driver


def _check_alone(driver: Driver) -> None:
    """The same instrument may be reached by another address (its USB port, another name of its host), and a program on
    another computer may hold it where it has a lock of its own. Raises LinkBusy."""
    link, identity = driver.link, driver.identity
    if identity is not None and identity.serial not in NO_SERIAL and HERE not in hosts_of(link.address):
        link.hold(f"identity::{identity.maker}::{identity.model}::{identity.serial}")
    if held := driver.speaker.held_elsewhere():
        raise LinkBusy(held, instrument=link.name, address=link.address)


def driver_for(link: Link, dialect: Dialect) -> Driver:
    """The driver of a dialect's kind."""
    if isinstance(dialect, PsuDialect):
        return Psu(link, dialect)
    if isinstance(dialect, DmmDialect):
        return Dmm(link, dialect)
    if isinstance(dialect, ScopeDialect):
        return Scope(link, dialect)
    return Scanner(link, dialect)


def open_psu(address: str, *, name: str, **options: Any) -> Psu:
    """See open_instrument."""
    driver = open_instrument("psu", address, name=name, **options)
    assert isinstance(driver, Psu)
    return driver
