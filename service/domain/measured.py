"""Measurements folded in: judged by what is on record, and what their verdict changes."""

from datetime import datetime
from decimal import Decimal

from msgspec.structs import replace

from service.domain import recheck
from service.domain.admissibility import (
    Preparation,
    force_reasons,
    run_out_reasons,
    setting_reasons,
    torque_out_of_limits,
)
from service.domain.event import spindles
from service.domain.finding import Outcome, Recall, common_part, own_part
from service.domain.force_step import ForcePoint, step_text, taken
from service.domain.gauge import Gauge
from service.domain.nose_response import SETTLED_CYCLES, answer_of, expected_response, lead_inwards
from service.domain.quantity import shown
from service.domain.recheck import ACTIVE, REPEAT_CHECK, Moment
from service.domain.sheet import Revision
from service.domain.spindle import (
    ForceMeasurement,
    RunOutMeasurement,
    SettingMeasurement,
    SpindleState,
    accepted_if_proven,
    checked,
    preparation,
    without,
)
from service.domain.spring_loss import stack_of
from service.domain.step import Finding, References, Step, Verdict
from service.domain.turn import Instruction, advise_setting, cure_reasons
from service.domain.verdict import (
    ForceVerdict,
    RunOutVerdict,
    SettingVerdict,
    depth_shift,
    judge_draw_force,
    judge_run_out,
    judge_setting,
)


def setting_measured(
    state: SpindleState, data: spindles.SettingMeasured, revision: Revision, known: References
) -> Step:
    """Judges a setting; only an admissible one satisfies, clears, accepts or condemns."""
    at, gauge = state.newest.time, _gauge(data.gauge, known)
    prepared = preparation(state)
    reasons = setting_reasons(
        data, at=at, revision=revision, gauge=gauge, gauge_key_known=gauge is not None, preparation=prepared
    )
    verdict = judge_setting(
        data,
        at=at,
        revision=revision,
        gauge=gauge,
        reasons=reasons,
        torque_sequence=None if prepared.torque is None else prepared.torque.sequence,
    )
    verdict = _with_torque_in_doubt(verdict, revision, prepared)
    measurement = SettingMeasurement(at=state.newest, verdict=verdict, corrected=state.newest_corrected)
    if not verdict.admissible:
        return _not_admissible(replace(state, last_setting=measurement), "setting", verdict, revision)
    before = state.setting
    shift = None if before is None else depth_shift(before.verdict.depth, verdict.depth)
    state, answered = _answered(state, verdict, revision)
    verdict = replace(verdict, findings=(*_remeasured(state, before, verdict), *answered))
    measurement = replace(measurement, verdict=verdict)
    instruction = advise_setting(
        verdict,
        revision=revision,
        at_recheck=state.job is None and "setting" in state.proven,
        observed=state.observed_turns,
    )
    state = checked(state, revision, "setting")
    concession = None if verdict.outcome == "conforming" else state.concession
    state = replace(state, setting=measurement, last_setting=measurement, concession=concession)
    state = _in_doubt(_admitted(state, "setting", verdict), "setting", verdict)
    state = accepted_if_proven(state, revision)
    return Step(state=state, verdict=verdict, instruction=instruction, shift=shift, findings=verdict.findings)


def _gauge(key: str | None, known: References) -> Gauge | None:
    return None if key is None else known.gauges.get(key)


def _not_admissible(state: SpindleState, check: str, verdict: Verdict, revision: Revision) -> Step:
    """It proves nothing and changes nothing, but outside the limits it still warns: a repeat check opens, once."""
    cure = Instruction(then=cure_reasons(verdict.reasons, revision=revision))
    if not verdict.outside:
        return Step(state=state, verdict=verdict, instruction=cure)
    state = replace(state, unproven_out={**state.unproven_out, check: state.newest})
    running = {each.check for each in state.rechecks if each.code == REPEAT_CHECK and each.state in ACTIVE}
    if check not in running:
        opened = recheck.begin_repeat_check(state.subject, check, state.newest)
        state = replace(state, rechecks=(*state.rechecks, opened))
    return Step(state=state, verdict=verdict, instruction=cure)


def _answered(
    state: SpindleState, verdict: SettingVerdict, revision: Revision
) -> tuple[SpindleState, tuple[Finding, ...]]:
    """What the nose turned since the setting before did to the depth: learned, and told where it is worth a word."""
    turned, lead = state.turned, lead_inwards(revision.issued.adjust)
    state = replace(state, turned=None)
    if turned is None or lead is None:
        return state, ()
    answer = answer_of(
        turned,
        verdict.depth,
        at=state.newest.time,
        count=state.counter.count,
        lead_mm=lead,
        before=expected_response(state.observed_turns, lead),
    )
    if answer.learned is not None:
        state = replace(state, observed_turns=(*state.observed_turns, answer.learned))
    return state, answer.findings


def _remeasured(
    state: SpindleState,
    before: SettingMeasurement | ForceMeasurement | RunOutMeasurement | None,
    verdict: Verdict,
) -> tuple[Finding, ...]:
    """Measured again with nothing done in between: worth knowing, so that nobody shops for a reading.

    Cycles counted since make a check of it, but not after a measurement that did not conform: a handful of cycles puts
    nothing right. A measurement that was not admissible is to be made again, so the next is no second one; nor is it
    after one that a recall has put in doubt.
    """
    if (
        before is None
        or before.verdict.recall is not None
        or (state.worked is not None and _order(state.worked) > _order(before.at))
    ):
        return ()
    since = state.counter.count - (before.at.count or 0)
    conformed = before.verdict.outcome == "conforming"
    if since > (0 if conformed else SETTLED_CYCLES):
        return ()
    cycles = "" if since == 0 else f", but that {since} cycles were counted,"
    text = (
        f"Nothing was done{cycles} since the measurement of entry {before.at.sequence}: "
        f"{_value(before.verdict)}, {before.verdict.outcome}. This one: {_value(verdict)}, {verdict.outcome}."
    )
    return (Finding(code="remeasured_unchanged", text=text),)


def _order(moment: Moment) -> tuple[datetime, int]:
    return moment.time, moment.sequence or 0


def _value(verdict: Verdict) -> str:
    match verdict:
        case SettingVerdict():
            shown = verdict.mean
        case ForceVerdict():
            shown = verdict.force
        case RunOutVerdict():
            shown = verdict.run_out
    return f"{shown.value} {shown.unit}"


def _admitted(state: SpindleState, check: str, verdict: Verdict) -> SpindleState:
    """An admissible measurement answers an earlier one that warned, and proves where it conforms and is not low."""
    state = replace(state, unproven_out=without(state.unproven_out, check))
    if verdict.outcome != "conforming" or getattr(verdict, "low", False):
        return state
    return replace(state, proven={**state.proven, check: state.newest})


def _in_doubt(state: SpindleState, check: str, verdict: Verdict) -> SpindleState:
    """Where a gauge that was found out changes the verdict, a check opens when it was found."""
    recall = verdict.recall
    if recall is None or verdict.outcome == recall.without:
        return state
    opened = recheck.begin_at(state.subject, recheck.RECALL_CHECK, check, state.newest, recall.found, since="condition")
    return replace(state, rechecks=(*state.rechecks, opened))


def _with_torque_in_doubt(verdict: SettingVerdict, revision: Revision, prepared: Preparation) -> SettingVerdict:
    """A setting proves less where the tool that torqued the nose was found out, and with that error out of limits."""
    doubt = None if prepared.torque is None else prepared.torque.doubt
    if doubt is None or not verdict.admissible or verdict.recall is not None:
        return verdict
    if not torque_out_of_limits(revision, doubt.torque_nm):
        return verdict
    outcome: Outcome = "undecided" if verdict.outcome == "conforming" else verdict.outcome
    recall = Recall(
        gauge=doubt.tool,
        calibration=doubt.calibration,
        found=doubt.found,
        error=shown(doubt.error_nm, "N.m"),
        value=shown(doubt.torque_nm, "N.m"),
        without=verdict.outcome,
        with_error="not_admissible",
    )
    return replace(verdict, outcome=outcome, recall=recall)


def force_measured(
    state: SpindleState, data: spindles.DrawForceMeasured, revision: Revision, known: References
) -> Step:
    """Judges a draw force against minimum, warning and maximum."""
    at, gauge = state.newest.time, _gauge(data.gauge, known)
    reasons = force_reasons(data, at=at, revision=revision, gauge=gauge, gauge_key_known=gauge is not None)
    verdict = judge_draw_force(data, at=at, revision=revision, gauge=gauge, reasons=reasons)
    if verdict.admissible:
        verdict = replace(verdict, findings=_remeasured(state, state.force, verdict))
    measurement = ForceMeasurement(at=state.newest, verdict=verdict)
    state = replace(state, last_draw_force=measurement)
    if not verdict.admissible:
        return _not_admissible(state, "draw_force", verdict, revision)
    state, stepped = _stepped(replace(state, force=measurement), data.gauge, verdict, revision)
    state = checked(state, revision, "draw_force")
    state = _in_doubt(_admitted(state, "draw_force", verdict), "draw_force", verdict)
    state = accepted_if_proven(state, revision)
    return Step(state=state, verdict=verdict, findings=(*verdict.findings, *stepped))


def _stepped(
    state: SpindleState, gauge: str | None, verdict: ForceVerdict, revision: Revision
) -> tuple[SpindleState, tuple[Finding, ...]]:
    """The force among those before it: whether it shows a step, and what the technician should know of it."""
    marks = [state.checked.get("grease"), None if state.rebuild is None else state.rebuild.at, state.commissioned]
    count, entry = state.counter.count, state.newest.sequence
    assert entry is not None
    budget = verdict.uncertainty
    point = ForcePoint(
        entry=entry,
        time=state.newest.time,
        count=count,
        dry=count - max(mark.count for mark in marks if mark is not None and mark.count is not None),
        force=float(verdict.force.value),
        u=None if budget is None else own_part(budget),
        common=0.0 if budget is None else common_part(budget),
        gauge=None if gauge is None else f"{gauge}#{verdict.basis.calibration}",
        level=0,
    )
    track = taken(state.force_track, point, stack_of(revision.issued.spring_stack))
    found = track.step if track.step is not state.force_track.step else None
    state = replace(state, force_track=track)
    if found is None:
        return state, ()
    code = "force_slowly_lost" if found.kind == "slow" else "force_stepped"
    return state, (Finding(code=code, text=step_text(found)),)


def run_out_measured(state: SpindleState, data: spindles.RunOutMeasured, revision: Revision, known: References) -> Step:
    """Judges a run-out at its place; one measurement stands for each place and distance."""
    at, gauge = state.newest.time, _gauge(data.gauge, known)
    reasons = run_out_reasons(data, at=at, revision=revision, gauge=gauge, gauge_key_known=gauge is not None)
    verdict = judge_run_out(data, at=at, revision=revision, gauge=gauge, reasons=reasons)
    here = [each for each in state.run_outs if _spot(each.verdict) == _spot(verdict)]
    others = tuple(each for each in state.run_outs if each not in here)
    if verdict.admissible and here:
        verdict = replace(verdict, findings=_remeasured(state, here[-1], verdict))
    measurement = RunOutMeasurement(at=state.newest, verdict=verdict)
    state = replace(state, last_run_out=measurement)
    if not verdict.admissible:
        return _not_admissible(state, "run_out", verdict, revision)
    state = checked(replace(state, run_outs=(*others, measurement)), revision, "run_out")
    state = _in_doubt(_admitted(state, "run_out", verdict), "run_out", verdict)
    state = accepted_if_proven(state, revision)
    return Step(state=state, verdict=verdict, findings=verdict.findings)


def _spot(verdict: RunOutVerdict) -> tuple[str, Decimal | None]:
    """The place with its distance in mm: 0 and 0.000 are the same spot."""
    return verdict.place, None if verdict.distance is None else Decimal(verdict.distance.value)
