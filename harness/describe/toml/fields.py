"""Building blocks of the file models: tables that refuse unknown keys, and quantities that become SI floats.

A field declared `Volts` takes "3.3 V" and holds 3.3; `VoltsLimits` takes "4.40 .. 5.25 V" and holds an Interval;
`VoltsValue` takes "3.3 V ± 2 %" and holds a Value. What an engineer would not write is refused with what is allowed.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, PlainValidator, PrivateAttr
from pydantic_core import PydanticCustomError

from wakeboard.harness.describe.problems import quoted
from wakeboard.instruments.quantity import (
    Interval,
    QuantityError,
    Tolerance,
    Value,
    parse,
    parse_interval,
    parse_tolerance,
    parse_value,
)


class Table(BaseModel):
    """A TOML table: frozen, no unknown keys, no silent conversions."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, arbitrary_types_allowed=True)


class Named(Table):
    """A table that knows the name under which it stands in the file."""

    _name: str = PrivateAttr("")

    @property
    def name(self) -> str:
        return self._name


def give_names(tables: dict[str, Any]) -> None:
    """Tell each table its key. The models are frozen for everyone else."""
    for key, table in tables.items():
        table._name = key


def refused(found: str, allowed: str) -> PydanticCustomError:
    """What a validator raises: becomes a Problem with these two texts."""
    return PydanticCustomError("refused", "{found} is not {allowed}", {"found": found, "allowed": allowed})


def _regular(text: str) -> str:
    from wakeboard.instruments.patterns import BadPattern, compiled

    try:
        compiled(text)
    except BadPattern as error:
        raise refused(quoted(text), f"a regular expression ({error})") from None
    return text


Pattern = Annotated[str, AfterValidator(_regular)]
"""A regular expression, as its text."""


def _reader(read: Callable[..., object], *unit: str) -> PlainValidator:
    def validate(text: object) -> object:
        try:
            return read(text, *unit)
        except QuantityError as error:
            raise refused(error.found, error.allowed) from None

    return PlainValidator(validate)


def quantity(unit: str) -> PlainValidator:
    """A single quantity of a unit, as a float in SI units."""
    return _reader(parse, unit)


def limits(unit: str) -> PlainValidator:
    """Limits in a unit, as an Interval in SI units."""
    return _reader(parse_interval, unit)


def value(unit: str) -> PlainValidator:
    """A nominal with an optional tolerance, as a Value in SI units."""
    return _reader(parse_value, unit)


def tolerance(unit: str = "") -> PlainValidator:
    """A tolerance alone."""
    return _reader(parse_tolerance, unit)


Volts = Annotated[float, quantity("V")]
Amps = Annotated[float, quantity("A")]
Ohms = Annotated[float, quantity("Ω")]
Farads = Annotated[float, quantity("F")]
Seconds = Annotated[float, quantity("s")]
Hertz = Annotated[float, quantity("Hz")]
BytesPerSecond = Annotated[float, quantity("B/s")]
VoltsLimits = Annotated[Interval, limits("V")]
AmpsLimits = Annotated[Interval, limits("A")]
OhmsLimits = Annotated[Interval, limits("Ω")]
SecondsLimits = Annotated[Interval, limits("s")]
VoltsValue = Annotated[Value, value("V")]
OhmsValue = Annotated[Value, value("Ω")]
RelativeTolerance = Annotated[Tolerance, tolerance()]


def as_tuple(found: object) -> object:
    """For BeforeValidator: strict models take no list for a tuple, and TOML knows only lists."""
    return tuple(found) if isinstance(found, list) else found


def _one_or_more(found: object) -> object:
    return (found,) if isinstance(found, str) else as_tuple(found)


Names = Annotated[tuple[str, ...], BeforeValidator(as_tuple)]
OneOrMore = Annotated[tuple[str, ...], BeforeValidator(_one_or_more)]
