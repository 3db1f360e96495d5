"""What the maker says for a spindle type, as a whole revision: the data of `sheet.issued`."""

from datetime import datetime
from decimal import Decimal
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct

from service.domain.decision import edition_year
from service.domain.quantity import Quantity, decimal_of

NotApplicable = Literal["not_applicable"]
Text = Annotated[str, Meta(max_length=4000)]
Name = Annotated[str, Meta(min_length=1, max_length=200)]
Key = Annotated[str, Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9._~-]{0,63}(?!\n)$")]
Instant = Annotated[datetime, Meta(tz=True)]
Count = Annotated[int, Meta(ge=0, le=10**15)]
Cycles = Annotated[int, Meta(ge=1, le=10**12)]
Days = Annotated[int, Meta(ge=1, le=36_500)]
Minutes = Annotated[int, Meta(ge=1, le=100_000)]

_NULL = msgspec.Raw(b"null")  # a union with Raw takes nothing but null, so an absent number is this

Check = Literal["setting", "draw_force", "run_out", "visual", "grease"]


class SettingDepth(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Nominal depth with limits as deviations from it; `target` is where to aim, else the middle."""

    quantity: Literal["depth", "ejection"]
    nominal: Quantity
    lower: Quantity
    upper: Quantity
    target: Quantity | None = None

    def __post_init__(self) -> None:
        for name in ("nominal", "lower", "upper", "target"):
            value = getattr(self, name)
            if value is not None and value.dimension != "length":
                raise ValueError(f"unit_of_other_kind: /{name}/unit: {name} is a length, {value.unit!r} is not")
        if self.lower.base > self.upper.base:
            raise ValueError("limits_reversed: /lower: lower is above upper")


class ThreadAdjust(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="by", tag="thread"):
    """The nose is turned; `turning_in` says what a turn away from the front does to the depth.

    `size` is the thread's, such as M42: a pitch that ISO 261 does not have with it is pointed out.
    """

    pitch: Quantity | None = None
    starts: Annotated[int, Meta(ge=1, le=8)] | None = None
    hand: Literal["right", "left"] | None = None
    turning_in: Literal["increases_depth", "reduces_depth"] | None = None
    size: Annotated[str, Meta(pattern=r"^M[1-9][0-9]{0,2}(?!\n)$")] | None = None

    def __post_init__(self) -> None:
        if self.pitch is not None and (self.pitch.dimension != "length" or self.pitch.base <= 0):
            raise ValueError("pitch_not_a_length: /pitch: pitch is a length above zero")


class ShimAdjust(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="by", tag="shim"):
    """A shim is exchanged; `thicker` says what a thicker one does to the depth."""

    step: Quantity | None = None
    thicker: Literal["increases_depth", "reduces_depth"] | None = None

    def __post_init__(self) -> None:
        if self.step is not None and (self.step.dimension != "length" or self.step.base <= 0):
            raise ValueError("step_not_a_length: /step: step is a length above zero")


class NoAdjust(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="by", tag="none"):
    """The depth cannot be adjusted: replace, or send away."""


class NoseTorque(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    nominal: Quantity | None = None
    minimum: Quantity | None = None
    maximum: Quantity | None = None

    def __post_init__(self) -> None:
        for name in ("nominal", "minimum", "maximum"):
            value = getattr(self, name)
            if value is not None and value.dimension != "torque":
                raise ValueError(f"unit_of_other_kind: /{name}/unit: {name} is a torque, {value.unit!r} is not")


class DrawForce(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The pull that holds the tool: limits, how many pulls, and which of them is judged."""

    nominal: Quantity | None = None
    warning: Quantity | None = None
    minimum: Quantity | None = None
    maximum: Quantity | None = None
    pulls: Annotated[int, Meta(ge=1, le=100)] = 1
    discard_first: bool = False
    judge: Literal["mean", "lowest"] = "mean"

    def __post_init__(self) -> None:
        for name in ("nominal", "warning", "minimum", "maximum"):
            value = getattr(self, name)
            if value is not None and value.dimension != "force":
                raise ValueError(f"unit_of_other_kind: /{name}/unit: {name} is a force, {value.unit!r} is not")
        if self.warning is not None and self.minimum is not None and self.warning.base < self.minimum.base:
            raise ValueError("limits_reversed: /warning: warning is below minimum")


class SpringStack(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The disc springs that pull the set, in the symbols of EN 16984."""

    De: Quantity | None = None
    Di: Quantity | None = None
    t: Quantity | None = None
    h0: Quantity | None = None
    parallel: Annotated[int, Meta(ge=1, le=100)] | None = None
    series: Annotated[int, Meta(ge=1, le=10_000)] | None = None


class RunOutLimit(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Total indicated run-out allowed at one stated place."""

    place: Literal["taper_bore", "face", "arbor"]
    distance: Quantity | None = None
    limit: Quantity

    def __post_init__(self) -> None:
        if self.limit.dimension != "length":
            raise ValueError("unit_of_other_kind: /limit/unit: limit is a length")
        if self.distance is not None and self.distance.dimension != "length":
            raise ValueError("unit_of_other_kind: /distance/unit: distance is a length")


class KitPart(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    part: Name
    quantity: Annotated[int, Meta(ge=1, le=10_000)]


class DecisionRule(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which rule decides, by name and edition.

    `guard_factor` multiplies u at each limit (guarded), `ratio` is the least C_m = T/(4 u) (ratio). With `confidence`
    (between 0 and 1) U is expanded by Student's factor; without it k is 2.
    """

    name: Literal["simple", "guarded", "iso_14253_1", "ratio"]
    edition: Name
    guard_factor_written: msgspec.Raw = msgspec.field(default_factory=lambda: _NULL, name="guard_factor")
    ratio_written: msgspec.Raw = msgspec.field(default_factory=lambda: _NULL, name="ratio")
    confidence_written: msgspec.Raw = msgspec.field(default_factory=lambda: _NULL, name="confidence")
    uncertainty_max: Quantity | None = None

    def __post_init__(self) -> None:
        if self.guard_factor < 0:
            raise ValueError("guard_factor_negative: /guard_factor: guard_factor is zero or more")
        if self.name == "guarded" and self.guard_factor_written == _NULL:
            raise ValueError("guard_factor_missing: /guard_factor: a guarded rule states its guard_factor")
        if self.name == "ratio" and (self.ratio is None or self.ratio <= 0):
            raise ValueError("ratio_missing: /ratio: a ratio rule states its ratio, above zero")
        if self.confidence is not None and not 0 < self.confidence < 1:
            raise ValueError("confidence_out_of_range: /confidence: confidence lies between 0 and 1")
        if self.name == "iso_14253_1" and edition_year(self.edition) is None:
            raise ValueError("edition_unknown: /edition: the edition of ISO 14253-1 is that of 1998, 2013 or 2017")
        if self.uncertainty_max is not None and self.uncertainty_max.dimension != "length":
            raise ValueError("unit_of_other_kind: /uncertainty_max/unit: uncertainty_max is a length")

    @property
    def guard_factor(self) -> Decimal:
        return _number(self.guard_factor_written, "guard_factor") or Decimal(0)

    @property
    def ratio(self) -> Decimal | None:
        return _number(self.ratio_written, "ratio")

    @property
    def confidence(self) -> Decimal | None:
        return _number(self.confidence_written, "confidence")


def _number(raw: msgspec.Raw, member: str) -> Decimal | None:
    return None if raw == _NULL else decimal_of(bytes(raw), member)


class Recheck(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A check to repeat after cycles or days, whichever comes first, counted since its anchor.

    `minutes` is how long the check takes.
    """

    code: Key
    check: Check
    after_cycles: Cycles | None = None
    after_days: Days | None = None
    since: Literal["acceptance", "rebuild", "adjustment", "last_check", "commissioning", "condition"]
    codes: tuple[Name, ...] = ()
    repeat: bool = False
    early_cycles: Cycles | None = None
    early_days: Days | None = None
    grace_cycles: Cycles | None = None
    grace_days: Days | None = None
    overdue: Literal["restrict", "withhold"] = "restrict"
    minutes: Minutes | None = None

    def __post_init__(self) -> None:
        if self.after_cycles is None and self.after_days is None:
            raise ValueError("recheck_without_limit: /after_cycles: state after_cycles, after_days or both")
        if self.early_cycles is not None and (self.after_cycles is None or self.early_cycles > self.after_cycles):
            text = "early_cycles goes with after_cycles and is at most that"
            raise ValueError(f"recheck_window_too_early: /early_cycles: {text}")
        if self.early_days is not None and (self.after_days is None or self.early_days > self.after_days):
            text = "early_days goes with after_days and is at most that"
            raise ValueError(f"recheck_window_too_early: /early_days: {text}")


class WorkMinutes(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How long a job takes, measuring included."""

    adjustment: Minutes | None = None
    rebuild: Minutes | None = None


class SheetIssued(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A revision. A member that does not apply is "not_applicable"; an absent one is missing."""

    revision: Annotated[int, Meta(ge=1, le=1_000_000)]
    valid_from: Instant
    interface: Name | None = None
    setting_depth: SettingDepth | NotApplicable | None = None
    adjust: ThreadAdjust | ShimAdjust | NoAdjust | None = None
    reading_spread_max: Quantity | NotApplicable | None = None
    nose_torque: NoseTorque | NotApplicable | None = None
    gripper_segments: Annotated[int, Meta(ge=1, le=100)] | NotApplicable | None = None
    run_in_cycles: Annotated[int, Meta(ge=0, le=100_000)] | NotApplicable | None = None
    draw_force: DrawForce | NotApplicable | None = None
    spring_stack: SpringStack | NotApplicable | None = None
    run_out: tuple[RunOutLimit, ...] | NotApplicable | None = None
    kit: tuple[KitPart, ...] | NotApplicable | None = None
    decision_rule: DecisionRule | None = None
    accept_with: tuple[Literal["setting", "draw_force", "run_out"], ...] = ("setting",)
    rechecks: tuple[Recheck, ...] = ()
    measure_when: Text | NotApplicable | None = None
    work_minutes: WorkMinutes | None = None
    reference: Text | None = None

    def __post_init__(self) -> None:
        spread = self.reading_spread_max
        if isinstance(spread, Quantity) and spread.dimension != "length":
            raise ValueError("unit_of_other_kind: /reading_spread_max/unit: reading_spread_max is a length")
        codes = [recheck.code for recheck in self.rechecks]
        for place, code in enumerate(codes):
            if code in codes[:place]:
                raise ValueError(f"recheck_code_twice: /rechecks/{place}/code: each recheck has a code of its own")
        if not self.accept_with:
            raise ValueError("accept_with_empty: /accept_with: name at least one check that accepts a rebuild")
