"""Quantities: an exact decimal with a UCUM unit from a closed list, kept as written and computed exactly."""

import re
from decimal import Clamped, Context, Decimal, DivisionByZero, Inexact, InvalidOperation, Overflow, Underflow
from typing import Final, Literal

import msgspec
from msgspec import Struct

EXACT: Final = Context(
    prec=120,
    Emax=999,
    Emin=-999,
    traps=[Inexact, InvalidOperation, DivisionByZero, Overflow, Underflow, Clamped],
)
"""For whatever is judged: an operation that would have to round raises instead."""

Dimension = Literal["length", "angle", "force", "torque", "pressure", "temperature", "one"]

_POUND_FORCE = Decimal("4.4482216152605")  # 0.45359237 kg x 9.80665 m/s2, both exact by definition
_FOOT_M = Decimal("0.3048")
_INCH_M = Decimal("0.0254")

UNITS: Final[dict[str, tuple[Dimension, Decimal]]] = {
    "mm": ("length", Decimal(1)),
    "um": ("length", Decimal("0.001")),
    "[in_i]": ("length", Decimal("25.4")),
    "[mil_i]": ("length", Decimal("0.0254")),
    "deg": ("angle", Decimal(1)),
    "N": ("force", Decimal(1)),
    "daN": ("force", Decimal(10)),
    "kN": ("force", Decimal(1000)),
    "[lbf_av]": ("force", _POUND_FORCE),
    "N.m": ("torque", Decimal(1)),
    "[lbf_av].[ft_i]": ("torque", EXACT.multiply(_POUND_FORCE, _FOOT_M)),
    "[lbf_av].[in_i]": ("torque", EXACT.multiply(_POUND_FORCE, _INCH_M)),
    "bar": ("pressure", Decimal(1)),
    "[psi]": ("pressure", Decimal("0.06894757293168361")),
    "Cel": ("temperature", Decimal(1)),
    "[degF]": ("temperature", Decimal(1)),
    "K": ("temperature", Decimal(1)),
    "1": ("one", Decimal(1)),
}
"""UCUM code -> dimension and exact factor to mm, deg, N, N.m, bar or 1. The pound-force per square inch is
the one factor that is cut (at 16 digits, from the exact definitions); nothing in bar is judged.
Temperatures are kept as written and have no factor of use."""

_MEANT: Final = {
    "µm": "um", "μm": "um", "micron": "um", "in": "[in_i]", "inch": "[in_i]", '"': "[in_i]", "mil": "[mil_i]",
    "thou": "[mil_i]", "°": "deg", "degree": "deg", "degrees": "deg", "lbf": "[lbf_av]", "lb": "[lbf_av]",
    "Nm": "N.m", "N·m": "N.m", "N m": "N.m", "N*m": "N.m", "ft-lb": "[lbf_av].[ft_i]", "lbf.ft": "[lbf_av].[ft_i]",
    "ft.lbf": "[lbf_av].[ft_i]", "in-lb": "[lbf_av].[in_i]", "lbf.in": "[lbf_av].[in_i]", "psi": "[psi]",
    "C": "Cel", "°C": "Cel", "F": "[degF]", "°F": "[degF]", "KN": "kN", "MM": "mm", "": "1",
}  # fmt: skip

_NUMBER = re.compile(rb"-?(?:0|[1-9][0-9]{0,14})(?:\.[0-9]{1,15})?(?!\n)\Z")
_JSON_NUMBER = re.compile(rb"-?(?:0|[1-9][0-9]{0,14})(?:\.[0-9]{1,15})?(?:[eE][+-]?[0-9]{1,2})?(?!\n)\Z")
_LARGEST = Decimal(10) ** 15


def exact_decimal(raw: bytes) -> Decimal:
    """The decimal a JSON string or number spells, exactly as written.

    A string is digits with an optional sign and point; a JSON number may carry a small exponent. At most
    15 digits on either side of the point. Raises ValueError for anything else (NaN, 1_0, blanks, 10^999999).
    """
    text = bytes(raw).strip(b" \t\r\n")
    quoted = text.startswith(b'"')
    if quoted:
        text = text[1:-1]
    if not (_NUMBER if quoted else _JSON_NUMBER).match(text):
        raise ValueError(
            'value_not_decimal: expected a plain decimal such as "10.53", at most 15 digits on either side'
        )
    value = Decimal(text.decode("ascii"))
    if abs(value) >= _LARGEST or value.as_tuple().exponent < -15:  # type: ignore[operator]
        raise ValueError("value_not_decimal: at most 15 digits on either side of the point")
    return value


def decimal_of(raw: bytes, member: str) -> Decimal:
    """As `exact_decimal`, for a member that is a bare number: what is raised names it."""
    try:
        return exact_decimal(raw)
    except ValueError as error:
        code, _, detail = str(error).partition(": ")
        raise ValueError(f"{code}: /{member}: {detail}") from error


def check_unit(unit: str) -> str:
    """The unit itself, or ValueError naming the code to use."""
    if unit in UNITS:
        return unit
    meant = _MEANT.get(unit)
    instead = f"use {meant!r}" if meant is not None else "use one of " + " ".join(UNITS)
    raise ValueError(f"unit_unknown: {unit!r} is not a UCUM code this service takes; {instead}")


class Quantity(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`{"value": "10.53", "unit": "mm"}` as written; `value` is the exact decimal, `unit` a UCUM code."""

    written: msgspec.Raw = msgspec.field(name="value")
    unit: str

    def __post_init__(self) -> None:
        exact_decimal(bytes(self.written))
        check_unit(self.unit)

    @property
    def value(self) -> Decimal:
        return exact_decimal(bytes(self.written))

    @property
    def dimension(self) -> Dimension:
        return UNITS[self.unit][0]

    @property
    def base(self) -> Decimal:
        """The value in mm, deg, N, N.m, bar or 1 (temperatures as written), exactly."""
        return EXACT.multiply(self.value, UNITS[self.unit][1])


def quantity(value: Decimal | str, unit: str) -> Quantity:
    """A quantity of our own, its value written plainly (never with an exponent)."""
    text = value if isinstance(value, str) else format(value, "f")
    return Quantity(written=msgspec.Raw(f'"{text}"'.encode()), unit=unit)


def convert(value: Decimal, unit: str, target: str) -> Decimal:
    """`value` of `unit` expressed in `target` of the same dimension, exactly where that is possible.

    Raises ValueError where the dimensions differ or a temperature is asked for. Where the quotient does
    not end (mm to inch), 28 digits are kept: such numbers are shown, never judged.
    """
    (dimension, factor), (other, divisor) = UNITS[unit], UNITS[target]
    if dimension != other or dimension == "temperature":
        raise ValueError(f"unit_of_other_kind: {unit!r} cannot be expressed in {target!r}")
    return Context(prec=28).divide(EXACT.multiply(value, factor), divisor)


class ShownQuantity(Struct, frozen=True, kw_only=True):
    """A quantity in an answer: the value as plain text, the unit a UCUM code."""

    value: str
    unit: str


def shown(value: Decimal, unit: str) -> ShownQuantity:
    """An exact decimal, written plainly."""
    return ShownQuantity(value=format(value, "f"), unit=unit)


def shown_rounded(value: Decimal, unit: str, digits: int = 6) -> ShownQuantity:
    """A quantity that was never exact (an uncertainty), to six significant digits."""
    return ShownQuantity(value=format(Context(prec=digits).plus(value), "f"), unit=unit)
