"""What happens to a spindle: the data of its events."""

from typing import Annotated, Literal

from msgspec import Meta, Struct, field

from service.domain.event.sheets import Check, Count, Cycles, Instant, Key, KitPart, Name, Text
from service.domain.quantity import Quantity


class Counter(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The machine's clamp counter: where it stood, where it rolls over (it reads 0 to modulus - 1)."""

    start: Count
    modulus: Annotated[int, Meta(ge=2, le=10**15)] | None = None
    cycles_per_count: Annotated[int, Meta(ge=1, le=1000)] = 1
    counts: Name | None = None
    max_per_second: Annotated[int, Meta(ge=1, le=1000)] = 1

    def __post_init__(self) -> None:
        if self.modulus is not None and self.start >= self.modulus:
            raise ValueError("count_beyond_modulus: /start: the counter starts below its modulus")


class BaselineMark(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something said to have been done before the ledger began: counted from, never proof."""

    time: Instant
    count: Count | None = None
    stated_by: Name | None = None


class Baseline(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    rebuilt: BaselineMark | None = None
    last_setting: BaselineMark | None = None
    last_draw_force: BaselineMark | None = None


class SpindleFact(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What every spindle event may carry: the counter as read then."""

    count: Count | None = None


class Commissioned(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    serial: Name
    plant: Key
    hall: Key
    machine: Key
    position: Key
    sheet: Key
    counter: Counter
    baseline: Baseline | None = None


class Removed(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    to: Literal["store", "repair", "scrap"]
    reason: Text | None = None


class Installed(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Back in a machine. Another machine's counter is another counter: `counter` then says how it stands."""

    plant: Key
    hall: Key
    machine: Key
    position: Key
    counter: Counter | None = None


class SheetAssigned(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    sheet: Key
    reason: Text | None = None


class Retired(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    reason: Text | None = None


class ClampingSetReplaced(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A rebuild. `parts` omitted means the whole kit of the sheet."""

    lot: Key | None = None
    parts: tuple[KitPart, ...] | None = None
    segments_seated: Annotated[int, Meta(ge=0, le=100)] | None = None
    o_ring_fitted: bool | None = None
    reason: Literal["worn", "low_force", "depth_lost", "broken", "crash", "preventive", "recall", "other"]
    found: Text | None = None


class ComponentReplaced(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    component: Literal["disc_spring_stack", "draw_bar", "nose", "o_ring", "gripper_segment", "release_unit", "other"]
    lot: Key | None = None
    text: Text | None = None


class Shims(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Thickness taken out and put in."""

    out: Quantity
    fitted: Quantity = field(name="in")

    def __post_init__(self) -> None:
        for name, thickness in (("out", self.out), ("in", self.fitted)):
            if thickness.dimension != "length":
                raise ValueError(f"unit_of_other_kind: /{name}/unit: a shim's thickness is a length")


class NoseAdjusted(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Either a turn (a magnitude) with its direction, in being away from the front, or shims exchanged."""

    turn: Quantity | None = None
    direction: Literal["in", "out"] | None = None
    shim: Shims | None = None

    def __post_init__(self) -> None:
        if (self.turn is None) == (self.shim is None):
            member = "turn" if self.turn is None else "shim"
            raise ValueError(f"adjustment_unclear: /{member}: state either turn with direction, or shim")
        if self.turn is not None:
            if self.turn.dimension != "angle" or self.turn.value < 0:
                raise ValueError("turn_not_an_angle: /turn: turn is an angle of zero or more; direction says which way")
            if self.direction is None:
                raise ValueError("direction_missing: /direction: say whether the nose was turned in or out")


class NoseTorqued(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`how`: set by a click tool, or read from one."""

    torque: Quantity
    how: Literal["set", "read"]
    tool: Key | None = None

    def __post_init__(self) -> None:
        if self.torque.dimension != "torque":
            raise ValueError(f"unit_of_other_kind: /torque/unit: torque is a torque, {self.torque.unit!r} is not")
        if self.torque.value <= 0:
            raise ValueError("torque_not_above_zero: /torque/value: a torque is a magnitude, above zero")


class ClampExercised(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Running in by hand; does not move the count."""

    cycles: Annotated[int, Meta(ge=1, le=100_000)]


class Reading(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One depth at one angle about the spindle's axis."""

    angle: Quantity
    depth: Quantity

    def __post_init__(self) -> None:
        if self.angle.dimension != "angle":
            raise ValueError("unit_of_other_kind: /angle/unit: angle is given in deg")
        if self.depth.dimension != "length":
            raise ValueError("unit_of_other_kind: /depth/unit: depth is a length")


class SettingMeasured(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    readings: Annotated[tuple[Reading, ...], Meta(min_length=1, max_length=360)]
    gauge: Key | None = None
    gauge_zeroed: bool | None = None
    draw_bar: Literal["released", "clamped"] | None = None
    temperature: Quantity | None = None

    def __post_init__(self) -> None:
        if self.temperature is not None and self.temperature.dimension != "temperature":
            raise ValueError("unit_of_other_kind: /temperature/unit: temperature is given in Cel, [degF] or K")


class Pull(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    value: Quantity
    discarded: bool = False

    def __post_init__(self) -> None:
        if self.value.dimension != "force":
            raise ValueError("unit_of_other_kind: /value/unit: a pull is a force")


class DrawForceMeasured(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    pulls: Annotated[tuple[Pull, ...], Meta(min_length=1, max_length=100)]
    gauge: Key | None = None
    gauge_zeroed: bool | None = None
    draw_bar: Literal["released", "clamped"] | None = None
    phase: Literal["as_found", "as_left"] | None = None


class RunOutMeasured(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`reversed_run_out` is the indication with the arbor turned half a turn in the taper."""

    place: Literal["taper_bore", "face", "arbor"]
    distance: Quantity | None = None
    run_out: Quantity
    arbor: Key | None = None
    reversed_run_out: Quantity | None = None
    gauge: Key | None = None
    gauge_zeroed: bool | None = None

    def __post_init__(self) -> None:
        for name in ("distance", "run_out", "reversed_run_out"):
            value = getattr(self, name)
            if value is not None and value.dimension != "length":
                raise ValueError(f"unit_of_other_kind: /{name}/unit: {name} is a length")


class VisualChecked(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    findings: Text | tuple[Text, ...] | None = None


class ClampingSetGreased(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    grease: Name | None = None


class ConditionNoted(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something seen. `unusable` withholds the spindle until it is resolved."""

    component: Name
    code: Name
    scheme: Name | None = None
    text: Text | None = None
    unusable: bool = False


class ConditionResolved(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    component: Name
    code: Name
    scheme: Name | None = None
    done: Text


class CounterRead(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    count: Count


class CounterReplaced(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The old counter's last value and the new one's first; also what explains a counter that was reset."""

    old_end: Count
    new_start: Count
    modulus: Annotated[int, Meta(ge=2, le=10**15)] | None = None
    reason: Text | None = None


class CounterMissed(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Counts that the counter did not show, told of afterwards: what it shows stays as it was, and they are added."""

    counts: Cycles
    reason: Text | None = None


class RecheckDeferred(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Until a count (in the state's count) or a time; approved by someone other than the actor."""

    recheck: Key
    until_count: Cycles | None = None
    until: Instant | None = None
    reason: Text
    approved_by: Name

    def __post_init__(self) -> None:
        if self.until_count is None and self.until is None:
            raise ValueError("until_missing: /until: state until (a time) or until_count")


class ConcessionGranted(SpindleFact, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Leave to run with the setting that stands, outside its limits or undecided, until a count or a time.

    It speaks of that setting and of a later one that is no further out; it lapses by itself, and ends with a setting
    that conforms and with the clamping set. Only a setting is conceded.
    """

    check: Check = "setting"
    until_count: Cycles | None = None
    until: Instant | None = None
    reason: Text
    approved_by: Name

    def __post_init__(self) -> None:
        if self.until_count is None and self.until is None:
            raise ValueError("until_missing: /until: state until (a time) or until_count")
