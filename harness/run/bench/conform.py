"""The conformance suite (instruments/conformance) on the instruments of a bench file, outputs into an open circuit.

    for name, checks in conform(described): ...

Supplies at 1 V and 10 mA, one output after another; the meter with its leads open; two channels of the scanner. Nothing
may be connected: the caller asks a person first. Outputs are off at the end, and the last check of each says so.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from wakeboard.instruments.conformance.suite import Check, check_dmm, check_psu, check_scanner, check_scope

if TYPE_CHECKING:
    from wakeboard.harness.describe.bench import Bench, Instrument

VOLTS, AMPS = 1.0, 0.010  # V, A: nothing is connected; within the range of every supply
QUESTION = (
    "The conformance suite switches every output of every supply on, at 1 V and 10 mA, and closes relays.\n"
    "  Is every output an open circuit, are the meter's leads open, and is no board connected anywhere?"
)
OFF = "off at the end"
NOT_MEASURED = ("current", "ohms 4w")  # no step uses them: their jacks and leads may be wired to something else


def conform(described: Bench, *, open_driver: Any = None) -> Iterator[tuple[str, list[Check]]]:
    """(instrument, its checks) in turn. Raises BenchError for one that cannot be opened."""
    from wakeboard.harness.run.bench.opening import open_driver as open_one

    for instrument in described.instruments.values():
        driver = (open_driver or open_one)(instrument)
        try:
            yield instrument.name, list(_checks(described, instrument, driver))
        finally:
            driver.link.close()


def _checks(described: Bench, instrument: Instrument, driver: Any) -> Iterator[Check]:
    if instrument.kind == "psu":
        for channel in driver.channels:
            for check in check_psu(driver, channel, volts=VOLTS, amps=AMPS):
                yield Check(f"output {channel}: {check.name}", check.ok, check.says)
    elif instrument.kind == "dmm":
        yield from check_dmm(driver, without=NOT_MEASURED)
    elif instrument.kind == "scope":
        yield from check_scope(driver)
    else:
        channels = list(dict.fromkeys(described.probing.routes.values()))
        if len(channels) < 2:
            yield Check("channels", False, "the bench file routes fewer than two channels: nothing was switched")
        else:
            yield from check_scanner(driver, channels[:2])


def left_on(checks: list[Check]) -> list[str]:
    """The outputs that are not confirmed off after their checks."""
    return [check.name.removesuffix(f": {OFF}") for check in checks if check.name.endswith(OFF) and not check.ok]
