"""Questions asked with plain numbers: every number exactly as it was written, and a refusal that names its place."""

import re
from collections.abc import Sequence
from decimal import Context, Decimal
from fractions import Fraction
from math import isfinite
from typing import Final

import msgspec
import numpy as np
from msgspec import Raw, Struct
from numpy.typing import NDArray

from service.domain.quantity import EXACT, UNITS, Quantity, ShownQuantity, check_unit, shown
from service.domain.refusal import Refusal

ABSENT: Final = Raw(b"null")
Floats = NDArray[np.float64]
"""A series, one value after the other."""
_WRITTEN: Final = re.compile(rb'"?(-?(?:0|[1-9][0-9]{0,19})(?:\.[0-9]{1,30})?(?:[eE][+-]?[0-9]{1,2})?)"?\Z')
_LARGEST: Final = Decimal(10) ** 20
_FINEST: Final = -30
_DIGITS: Final = 15
_SHORT: Final = Context(prec=12)
_WIDE: Final = Context(prec=80)
_CONFIDENCE_MIN: Final = Decimal("0.5")
_CONFIDENCE_MAX: Final = Decimal("0.9999")
_BASE_UNIT: Final = {"length": "mm", "angle": "deg", "force": "N", "torque": "N.m", "pressure": "bar", "one": "1"}


class QuestionRefused(Refusal):
    """A question that has no answer; the fault says what is wrong with it."""

    code = "evaluation_invalid"


class Number(Struct, frozen=True, kw_only=True):
    """A value as it was written; `unit` is None for a plain number."""

    value: Decimal
    unit: str | None


def absent() -> Raw:
    return ABSENT


def plain(raw: Raw, pointer: str) -> Decimal:
    """A number or a decimal string, exactly as written. Raises QuestionRefused."""
    written = bytes(raw).strip()
    match = _WRITTEN.match(written)
    value = None if match is None else Decimal(match.group(1).decode("ascii"))
    exponent = 0 if value is None else int(value.as_tuple().exponent)
    if (
        value is None
        or abs(value) >= _LARGEST
        or exponent < _FINEST
        or written.startswith(b'"') != written.endswith(b'"')
    ):
        name = next((part for part in reversed(pointer.split("/")) if not part.isdigit()), "")
        what = (
            "a quantity with a unit is not taken here: a plain number" if written.startswith(b"{") else "a plain number"
        )
        needed = f"is needed: {what}" if written == b"null" else f"must be {what}"
        raise QuestionRefused(f"{name} {needed}, at most 20 digits before the point and 30 behind", pointer=pointer)
    return value


def plain_or_none(raw: Raw, pointer: str) -> Decimal | None:
    return None if bytes(raw).strip() == b"null" else plain(raw, pointer)


def plain_list(raws: Sequence[Raw], pointer: str) -> list[Decimal]:
    return [plain(raw, f"{pointer}/{place}") for place, raw in enumerate(raws)]


def confidence_of(raw: Raw, pointer: str = "/confidence") -> float:
    """The stated confidence of two-sided bounds, 0.95 where none is. Raises QuestionRefused."""
    stated = plain_or_none(raw, pointer)
    if stated is None:
        return 0.95
    if not _CONFIDENCE_MIN <= stated <= _CONFIDENCE_MAX:
        text = f"a confidence lies between {_CONFIDENCE_MIN} and {_CONFIDENCE_MAX}, such as 0.95"
        raise QuestionRefused(text, pointer=pointer)
    return float(stated)


def above_zero(raw: Raw, pointer: str) -> float:
    """A plain number above zero, as a float. Raises QuestionRefused."""
    value = plain(raw, pointer)
    if value <= 0:
        name = next((part for part in reversed(pointer.split("/")) if not part.isdigit()), "")
        raise QuestionRefused(f"{name}: {format(value, 'f')} is not above zero", pointer=pointer)
    return float(value)


def centred(values: Sequence[Decimal], origin: Decimal | None = None) -> tuple[Decimal, Floats]:
    """Values from the first of them (or from `origin`), subtracted exactly before they become floats.

    So a series far from zero loses nothing of its differences.
    """
    start = values[0] if origin is None else origin
    return start, np.array([float(_WIDE.subtract(value, start)) for value in values])


def number(raw: Raw, pointer: str) -> Number | None:
    """A plain number or a quantity, exactly as written; None where it was left out. Raises QuestionRefused."""
    written = bytes(raw).strip()
    if written == b"null":
        return None
    if not written.startswith(b"{"):
        return Number(value=plain(raw, pointer), unit=None)
    try:
        stated = msgspec.json.decode(written, type=Quantity)
        return Number(value=stated.value, unit=check_unit(stated.unit))
    except (ValueError, msgspec.MsgspecError) as error:
        text = str(error).partition(" - at `")[0]
        raise QuestionRefused(f"{pointer[1:]}: {text.partition(': ')[2] or text}", pointer=pointer) from error


def in_one_unit(given: dict[str, Number]) -> tuple[dict[str, Decimal], str | None]:
    """All values in one unit, exactly: as written where all have the same, else in the unit of their kind."""
    units = {each.unit for each in given.values()}
    if len(units) == 1:
        return {name: each.value for name, each in given.items()}, units.pop()
    kinds = {None if unit is None else UNITS[unit][0] for unit in units}
    kind = kinds.pop()
    if kinds or kind is None or kind == "temperature":
        place = next(name for name, each in given.items() if each.unit != next(iter(given.values())).unit)
        raise QuestionRefused("the values are all plain numbers, or all of one kind of unit", pointer=f"/{place}")
    return {name: EXACT.multiply(each.value, UNITS[each.unit or "1"][1]) for name, each in given.items()}, _BASE_UNIT[
        kind
    ]


def written(value: Decimal | None, unit: str | None) -> str | ShownQuantity | None:
    """An exact value in the form in which the question was asked."""
    if value is None:
        return None
    return format(value, "f") if unit is None else shown(value, unit)


def significant(value: Decimal | Fraction | float) -> str:
    """A result that is not exact, to fifteen significant digits."""
    context = Context(prec=_DIGITS)
    if isinstance(value, Fraction):
        rounded = context.divide(Decimal(value.numerator), Decimal(value.denominator))
    else:
        rounded = context.plus(Decimal(value))
    return format(rounded.normalize() if rounded == 0 else rounded, "f")


def rounded(value: float, origin: Decimal | None = None) -> str:
    """A float to twelve significant digits, written plainly; added to `origin` where one is given.

    Raises QuestionRefused for what no float holds: the numbers of the question lie too far apart.
    """
    if not isfinite(value):
        raise QuestionRefused("these numbers lie too far apart to be computed with", pointer="")
    whole = Decimal(value) if origin is None else _WIDE.add(origin, Decimal(value))
    short = _SHORT.plus(whole).normalize(_SHORT)
    return format(Decimal(0) if short == 0 else short, "f")


def raw_of(value: float) -> Raw:
    """A float as a question would have it written."""
    return Raw(rounded(value).encode())


def rounded_or_none(value: float | None, origin: Decimal | None = None) -> str | None:
    return None if value is None else rounded(value, origin)


def root(value: Fraction) -> Decimal:
    """The square root of an exact value, to forty digits."""
    context = Context(prec=40)
    return context.divide(Decimal(value.numerator), Decimal(value.denominator)).sqrt(context)
