"""A spindle's setting depths and draw forces against the count, as its folded history has them.

Rules of this file
- Only measurements that prove something are in, with the value that was judged and their own standard uncertainty.
- A `level` begins with work that may have moved the value (a rebuild, an adjustment, a torque, a component, another
  machine; for a force a component that bears on it, or a step); a `segment` also with each greasing.
- A set is what was fitted with a rebuild; what came before the first is set 0.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Literal

from msgspec import Struct
from msgspec.structs import replace

from service.domain.finding import ShownUncertainty, common_part, own_part
from service.domain.force_step import ForcePoint, ForceStep
from service.domain.quantity import ShownQuantity
from service.domain.spindle import SpindleState
from service.domain.step import Step
from service.domain.verdict import ForceVerdict, SettingVerdict

BegunBy = Literal["start", "rebuild", "work", "step", "grease"]
LimitName = Literal["lower", "upper", "warning", "minimum", "maximum"]


class WearPoint(Struct, frozen=True, kw_only=True):
    """One measurement in mm or N, `exact` as it was judged. `ran`: cycles since its level began.

    `u` is its own standard uncertainty, `common` what it shares with others of its gauge, `coarse` the resolution's
    part of `u`; None and 0 where nothing is stated.
    """

    entry: int
    time: datetime
    count: int
    ran: int
    value: float
    exact: ShownQuantity
    u: float | None
    common: float
    coarse: float
    set: int
    level: int
    segment: int
    begun_by: BegunBy


class Limit(Struct, frozen=True, kw_only=True):
    """A limit of the sheet by which the newest measurement was judged; the value meets it falling or rising."""

    name: LimitName
    value: float
    exact: ShownQuantity
    falling: bool


class Series(Struct, frozen=True, kw_only=True):
    """One quantity of one spindle, in the order of time; `limits` in the order in which they would be met."""

    points: tuple[WearPoint, ...]
    limits: tuple[Limit, ...]


class WearHistory(Struct, frozen=True, kw_only=True):
    """Both series, the forces as the step detection has them, every step that was found, the set that is fitted."""

    depth: Series
    force: Series
    pulls: tuple[ForcePoint, ...]
    steps: tuple[ForceStep, ...]
    set: int


class _Marks(Struct, frozen=True, kw_only=True):
    """Where the depth's level, the set and the greasing began, as a history is gone through."""

    set: int = 0
    level: int = 0
    level_count: int = 0
    segment: int = 0
    begun_by: BegunBy = "start"
    rebuilt: int | None = None
    greased: int | None = None


def history_of(steps: Sequence[Step]) -> WearHistory:
    """The series of a history folded step by step."""
    marks, stood = _Marks(), False
    depths: list[WearPoint] = []
    forces: list[tuple[WearPoint, ForcePoint]] = []
    found: list[ForceStep] = []
    limits: dict[str, tuple[Limit, ...]] = {"depth": (), "force": ()}
    for made in steps:
        state, verdict = made.state, made.verdict
        marks = _marked(marks, state, ended=stood and state.setting is None)
        stood = state.setting is not None
        if isinstance(verdict, SettingVerdict) and verdict.admissible:
            depths.append(_point(state, marks, float(verdict.mean.value), verdict.mean, verdict.uncertainty))
            limits["depth"] = _depth_limits(verdict)
        elif isinstance(verdict, ForceVerdict) and verdict.admissible and state.force_track.points:
            point = _point(state, marks, float(verdict.force.value), verdict.force, verdict.uncertainty)
            forces.append((point, state.force_track.points[-1]))
            limits["force"] = _force_limits(verdict)
            step = state.force_track.step
            if step is not None and step.entry == point.entry:
                found.append(step)
    pulls = _final_levels(steps, [pull for _, pull in forces])
    return WearHistory(
        depth=Series(points=tuple(depths), limits=limits["depth"]),
        force=Series(
            points=_in_levels([point for point, _ in forces], pulls, {each.began for each in found}),
            limits=limits["force"],
        ),
        pulls=tuple(pulls),
        steps=tuple(found),
        set=marks.set,
    )


def _marked(marks: _Marks, state: SpindleState, *, ended: bool) -> _Marks:
    """The marks after a step. `ended`: what was known of the setting has ended with it."""
    rebuilt = None if state.rebuild is None else state.rebuild.at.sequence
    mark = state.checked.get("grease")
    greased = None if mark is None else mark.sequence
    count = state.counter.count
    begins: dict[str, int] = {"level": marks.level + 1, "level_count": count, "segment": marks.segment + 1}
    if rebuilt != marks.rebuilt:
        return replace(marks, **begins, set=marks.set + 1, begun_by="rebuild", rebuilt=rebuilt, greased=greased)
    if ended:
        return replace(marks, **begins, begun_by="work", greased=greased)
    if greased != marks.greased:
        return replace(marks, segment=marks.segment + 1, begun_by="grease", greased=greased)
    if state.setting is None:
        return replace(marks, level_count=count)
    return marks


def _point(
    state: SpindleState, marks: _Marks, value: float, exact: ShownQuantity, budget: ShownUncertainty | None
) -> WearPoint:
    entry = state.newest.sequence
    assert entry is not None
    coarse = [] if budget is None else [float(each.u.value) for each in budget.budget if each.source == "resolution"]
    return WearPoint(
        entry=entry,
        time=state.newest.time,
        count=state.counter.count,
        ran=state.counter.count - marks.level_count,
        value=value,
        exact=exact,
        u=None if budget is None else own_part(budget),
        common=0.0 if budget is None else common_part(budget),
        coarse=sum(coarse),
        set=marks.set,
        level=marks.level,
        segment=marks.segment,
        begun_by=marks.begun_by,
    )


def _final_levels(steps: Iterable[Step], pulls: list[ForcePoint]) -> list[ForcePoint]:
    """The forces in the levels that were known in the end: a step is found after it began."""
    levels: dict[int, int] = {}
    for made in steps:
        if isinstance(made.verdict, ForceVerdict):
            levels.update((each.entry, each.level) for each in made.state.force_track.points)
    return [replace(each, level=levels.get(each.entry, each.level)) for each in pulls]


def _in_levels(points: list[WearPoint], pulls: list[ForcePoint], stepped: set[int]) -> tuple[WearPoint, ...]:
    """The forces in the levels of the step detection. `stepped` are the entries that are the first to show a step."""
    made: list[WearPoint] = []
    for place, (point, pull) in enumerate(zip(points, pulls, strict=True)):
        if place == 0:
            made.append(replace(point, level=pull.level, segment=0))
            continue
        before, raw = made[-1], points[place - 1]
        segment, begun_by = before.segment, before.begun_by
        if pull.level != before.level:
            segment += 1
            begun_by = "rebuild" if point.set != before.set else "step" if point.entry in stepped else "work"
        elif point.segment != raw.segment:
            segment, begun_by = segment + 1, point.begun_by
        made.append(replace(point, level=pull.level, segment=segment, begun_by=begun_by))
    return tuple(made)


def _depth_limits(verdict: SettingVerdict) -> tuple[Limit, ...]:
    return _stated(("lower", verdict.limits.lower, True), ("upper", verdict.limits.upper, False))


def _force_limits(verdict: ForceVerdict) -> tuple[Limit, ...]:
    """The warning is met before the minimum."""
    limits = verdict.limits
    return _stated(
        ("warning", verdict.warning, True), ("minimum", limits.lower, True), ("maximum", limits.upper, False)
    )


def _stated(*limits: tuple[LimitName, ShownQuantity | None, bool]) -> tuple[Limit, ...]:
    return tuple(
        Limit(name=name, value=float(limit.value), exact=limit, falling=falling)
        for name, limit, falling in limits
        if limit is not None
    )
