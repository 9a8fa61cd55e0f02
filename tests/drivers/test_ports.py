"""The ports have two sides: drivers over a link, and the virtual hardware. Both have all that a runner asks for."""

import inspect

import pytest

from wakeboard.instruments import ports
from wakeboard.instruments.scpi.dmm import Dmm
from wakeboard.instruments.scpi.psu import Psu
from wakeboard.instruments.scpi.scanner import Scanner
from wakeboard.instruments.virtual.direct.meter import DirectMeter
from wakeboard.instruments.virtual.direct.relays import DirectRelays
from wakeboard.instruments.virtual.direct.supply import DirectSupply

SIDES = [
    (ports.SupplyPort, Psu),
    (ports.SupplyPort, DirectSupply),
    (ports.MeterPort, Dmm),
    (ports.MeterPort, DirectMeter),
    (ports.RelaysPort, Scanner),
    (ports.RelaysPort, DirectRelays),
]


def members(port):
    return {name for each in port.__mro__ for name in vars(each) if not name.startswith("_")}


def set_when_made(kind):
    """Attributes that __init__ gives an instance, read from its source."""
    text = "".join(
        inspect.getsource(each.__init__) for each in kind.__mro__[:-1] if inspect.isfunction(vars(each).get("__init__"))
    )
    return {word.partition(":")[0].split(" ")[0] for word in text.split("self.")[1:]}


@pytest.mark.parametrize(("port", "kind"), SIDES, ids=lambda each: each.__name__)
def test_each_side_has_what_the_port_names(port, kind):
    assert members(port) - set(dir(kind)) - set_when_made(kind) == set()


@pytest.mark.parametrize(("port", "kind"), SIDES, ids=lambda each: each.__name__)
def test_methods_take_the_same_arguments(port, kind):
    for name in members(port):
        asked, has = getattr(port, name), getattr(kind, name, None)
        if inspect.isfunction(asked) and inspect.isfunction(has):
            assert list(inspect.signature(has).parameters) == list(inspect.signature(asked).parameters), name
