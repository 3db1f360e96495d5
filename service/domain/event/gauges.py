"""Gauges and lots of kits: the data of their events."""

from datetime import date
from decimal import Decimal
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct

from service.domain.event.sheets import Key, Name, Text
from service.domain.quantity import Quantity, decimal_of, exact_decimal

GaugeKind = Literal["depth", "force", "run_out", "torque"]
DIMENSION_OF_KIND = {"depth": "length", "force": "force", "run_out": "length", "torque": "torque"}


class Master(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The master a gauge is zeroed on: its expanded uncertainty and coverage factor."""

    expanded_uncertainty: Quantity
    k_written: msgspec.Raw = msgspec.field(name="k")

    def __post_init__(self) -> None:
        check_coverage(self.k_written)

    @property
    def k(self) -> Decimal:
        return exact_decimal(bytes(self.k_written))


def check_coverage(raw: msgspec.Raw) -> None:
    """Raises ValueError unless the coverage factor is above zero."""
    if decimal_of(bytes(raw), "k") <= 0:
        raise ValueError("coverage_factor_not_positive: /k: k is above zero")


class Zeroing(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Either included in the stated repeatability, or a term of its own from the master."""

    included: bool | None = None
    master: Master | None = None

    def __post_init__(self) -> None:
        if bool(self.included) == (self.master is not None):
            raise ValueError("zeroing_unclear: state either included: true or a master")


class Temperature(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a difference of temperature does to a length: the difference of expansion, and its half-width."""

    expansion_written: msgspec.Raw = msgspec.field(name="expansion_per_kelvin")
    half_width: Quantity

    def __post_init__(self) -> None:
        if self.expansion < 0:
            raise ValueError("value_negative: /expansion_per_kelvin: expansion_per_kelvin is zero or more")
        if self.half_width.unit != "K" or self.half_width.value < 0:
            raise ValueError("unit_of_other_kind: /half_width/unit: half_width is zero or more, in K")

    @property
    def expansion(self) -> Decimal:
        return decimal_of(bytes(self.expansion_written), "expansion_per_kelvin")


class GaugeRegistered(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    kind: GaugeKind
    resolution: Quantity | None = None
    repeatability: Quantity | None = None
    permitted_error: Quantity | None = None
    zeroing: Zeroing | None = None
    interface: Name | None = None
    repeatability_dof: Annotated[int, Meta(ge=1, le=1_000_000)] | None = None
    drift_per_year: Quantity | None = None
    temperature: Temperature | None = None

    def __post_init__(self) -> None:
        for name in ("resolution", "repeatability", "permitted_error", "drift_per_year"):
            value = getattr(self, name)
            if value is None:
                continue
            if value.dimension != DIMENSION_OF_KIND[self.kind]:
                raise ValueError(f"unit_of_other_kind: /{name}/unit: {name} of a {self.kind} gauge, not {value.unit!r}")
            if value.value < 0:
                raise ValueError(f"value_negative: /{name}/value: {name} is zero or more")


class GaugeCalibrated(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A certificate. `correction` is added to a reading; error = indication - reference; `due` is a day."""

    expanded_uncertainty: Quantity
    k_written: msgspec.Raw = msgspec.field(name="k")
    correction: Quantity | None = None
    as_found: Quantity | None = None
    as_left: Quantity | None = None
    due: date
    certificate: Name | None = None

    def __post_init__(self) -> None:
        check_coverage(self.k_written)
        if self.expanded_uncertainty.value < 0:
            raise ValueError("value_negative: /expanded_uncertainty/value: expanded_uncertainty is zero or more")

    @property
    def k(self) -> Decimal:
        return exact_decimal(bytes(self.k_written))


class StudiedValue(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One part measured by one person in one trial."""

    part: Name
    person: Name
    trial: Annotated[int, Meta(ge=1, le=1000)]
    value: Quantity


class GaugeStudied(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A repeatability study: every person has measured every part in every trial. `tolerance` is a width."""

    measurements: Annotated[tuple[StudiedValue, ...], Meta(min_length=8, max_length=5000)]
    tolerance: Quantity | None = None

    def __post_init__(self) -> None:
        if self.tolerance is not None and self.tolerance.value <= 0:
            raise ValueError("value_negative: /tolerance: a tolerance is above zero")


class GaugeWithdrawn(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    reason: Text


class LotReceived(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A delivery of kits for one sheet."""

    sheet: Key
    quantity: Annotated[int, Meta(ge=1, le=1_000_000)]


class LotWithdrawn(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    reason: Text
