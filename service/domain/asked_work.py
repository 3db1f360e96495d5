"""Which causes ask for work after a fact: those that it shows, those that it shows again, those that it ends.

Rules of this file
- A measurement that conforms completes its cause; so does a condition that is resolved. One that is undecided, or
  proves nothing, ends nothing.
- Another sheet, or the end of the spindle, takes causes away: nothing was put right.
"""

from collections.abc import Callable, Iterator
from typing import Final

from msgspec.structs import replace

from service.domain.cause import Cause, CauseKind, JobOrder, Tool
from service.domain.event import Fact, spindles
from service.domain.event.sheets import KitPart, NoAdjust
from service.domain.health import measured_reasons
from service.domain.quantity import shown
from service.domain.sheet import Revision
from service.domain.spindle import OpenCondition, RunOutMeasurement, SpindleState, accepts
from service.domain.turn import Instruction, torque_nominal

_KIND_OF: Final[dict[str, CauseKind]] = {
    "setting_nonconforming": "setting",
    "force_below_minimum": "draw_force",
    "force_above_maximum": "draw_force",
    "force_low": "draw_force",
    "run_out_nonconforming": "run_out",
    "unusable": "condition",
}
_OF_THE_SET: Final = frozenset({"clamping_set", "gripper_segment", "o_ring", "nose"})
"""Components that the kit of a sheet has, as `component.replaced` names them."""

Named = tuple[CauseKind, str]


def causes_after(
    state: SpindleState, fact: Fact, instruction: Instruction | None, revision: Callable[[], Revision]
) -> tuple[Cause, ...]:
    """The causes that stand after the newest fact, and those that it ended. `state` has those from before it."""
    running = {(each.kind, each.about): each for each in state.causes if each.ended is None}
    found = dict(_shown(state, fact, instruction, revision, running))
    kept = [found[name] if name in found else _ended(each, state, fact) for name, each in running.items()]
    return (*kept, *(each for name, each in found.items() if name not in running))


def _shown(
    state: SpindleState,
    fact: Fact,
    instruction: Instruction | None,
    revision: Callable[[], Revision],
    running: dict[Named, Cause],
) -> Iterator[tuple[Named, Cause]]:
    """What stands against the spindle, each as it was or as the newest fact shows it."""
    if state.lifecycle == "retired":
        return
    for health, reason in measured_reasons(state, state.newest):
        kind = _KIND_OF.get(reason.code)
        if kind is None:
            continue
        about = _about(kind, state, reason.entry)
        known = running.get((kind, about))
        if known is not None and known.evidence.sequence == reason.entry and reason.entry != state.newest.sequence:
            yield (kind, about), known
            continue
        entry = state.newest.sequence if reason.entry is None else reason.entry
        assert entry is not None
        job = _job(kind, about, state, revision(), instruction if fact.sequence == entry else None)
        yield (
            (kind, about),
            Cause(
                kind=kind,
                about=about,
                root=entry if known is None else min(known.root, entry),
                opened=state.newest if known is None else known.opened,
                evidence=state.newest,
                reason=reason.code,
                health=health,
                text=reason.text,
                job=job,
            ),
        )


def _about(kind: CauseKind, state: SpindleState, entry: int | None) -> str:
    if kind == "run_out":
        return next(_spot(each) for each in state.run_outs if each.at.sequence == entry)
    if kind == "condition":
        return next(_named(each) for each in state.conditions if each.at.sequence == entry)
    return ""


def _spot(measured: RunOutMeasurement) -> str:
    """The place with its distance; 0 and 0.000 are the same spot."""
    distance = measured.verdict.distance
    return measured.verdict.place if distance is None else f"{measured.verdict.place} at {_plain(distance.value)} mm"


def _plain(value: str) -> str:
    return value.rstrip("0").rstrip(".") if "." in value else value


def _named(condition: OpenCondition) -> str:
    scheme = "" if condition.scheme is None else f" ({condition.scheme})"
    return f"{condition.component}: {condition.code}{scheme}"


def _ended(cause: Cause, state: SpindleState, fact: Fact) -> Cause:
    """The cause, ended by the newest fact where that proves it put right or takes it away."""
    if state.lifecycle == "retired":
        return replace(cause, ended=state.newest, how="cancelled", because="retired")
    if cause.kind == "condition":
        if isinstance(fact.data, spindles.ConditionResolved):
            return replace(cause, ended=state.newest, how="completed", because="resolved")
        return replace(cause, ended=state.newest, how="cancelled", because="no_longer_unusable")
    if isinstance(fact.data, spindles.SheetAssigned):
        return replace(cause, ended=state.newest, how="cancelled", because="sheet_assigned")
    return replace(cause, ended=state.newest, how="completed", because="proven") if _proven(cause, state) else cause


def _proven(cause: Cause, state: SpindleState) -> bool:
    if cause.kind == "setting":
        return state.setting is not None and accepts(state.setting.verdict)
    if cause.kind == "draw_force":
        return state.force is not None and accepts(state.force.verdict) and not state.force.verdict.low
    return any(_spot(each) == cause.about and accepts(each.verdict) for each in state.run_outs)


def _job(
    kind: CauseKind, about: str, state: SpindleState, revision: Revision, instruction: Instruction | None
) -> JobOrder:
    minutes = revision.issued.work_minutes
    if kind == "setting":
        steps = () if instruction is None else (*filter(None, (instruction.first,)), *instruction.then)
        replaces = isinstance(revision.issued.adjust, NoAdjust)
        return JobOrder(
            steps=steps or _SETTING,
            tools=(Tool(kind="depth"), *_torque_tool(revision)),
            parts=_kit(revision) if replaces else (),
            minutes=None if minutes is None else minutes.rebuild if replaces else minutes.adjustment,
        )
    if kind == "draw_force":
        return JobOrder(
            steps=_DRAW_FORCE,
            tools=(Tool(kind="force"), Tool(kind="depth"), *_torque_tool(revision)),
            parts=_kit(revision),
            minutes=None if minutes is None else minutes.rebuild,
        )
    if kind == "run_out":
        return JobOrder(steps=(*_RUN_OUT, f"Then measure the run-out again: {about}."), tools=(Tool(kind="run_out"),))
    component = about.partition(":")[0]
    return JobOrder(
        steps=(f"Put right what was noted ({about}).", "Then record what was done as condition.resolved."),
        parts=_kit(revision) if component in _OF_THE_SET else (),
    )


_SETTING: Final = ("Put the setting right as the sheet says.", "Then measure it again.")
_DRAW_FORCE: Final = (
    "Find out why the draw force is out: look at the spring stack, the clamping set and its grease, the contact faces.",
    "Replace or grease what needs it, and record it; replacing the clamping set is a rebuild.",
    "Then measure the draw force again, clamped, with the gauge zeroed.",
)
_RUN_OUT: Final = (
    "Clean the taper, the face and the arbor, and look for marks and chips.",
    "Where it stays out, find out why before the spindle is used on.",
)


def _torque_tool(revision: Revision) -> tuple[Tool, ...]:
    """A tool for the nose's torque, where the sheet usably states one."""
    nominal = torque_nominal(revision)
    return () if nominal is None else (Tool(kind="torque", torque=shown(nominal.value, nominal.unit)),)


def _kit(revision: Revision) -> tuple[KitPart, ...]:
    return revision.issued.kit if isinstance(revision.issued.kit, tuple) else ()
