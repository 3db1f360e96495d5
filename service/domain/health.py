"""Health and clearance of a spindle at a time: every reason with its evidence, worst first.

The words of health are those of NAMUR NE 107; their order is ours. Clearance is advice on whether the spindle may
be used, never a statement that a machine is safe.
"""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Final, Literal

from msgspec import Struct
from msgspec.structs import replace

from service.domain.finding import Recall
from service.domain.recheck import LOT_CHECK, Episode, Moment
from service.domain.spindle import SpindleState, conceded

Health = Literal["failure", "out_of_specification", "function_check", "maintenance_required", "normal"]
Clearance = Literal["withheld", "restricted", "cleared"]

WORST_FIRST: Final[tuple[Health, ...]] = (
    "failure",
    "out_of_specification",
    "function_check",
    "maintenance_required",
    "normal",
)
_STRICTEST_FIRST: Final[tuple[Clearance, ...]] = ("withheld", "restricted", "cleared")


class Reason(Struct, frozen=True, kw_only=True):
    """Why the spindle is not normal: a stable code, a sentence, and the entry that is the evidence."""

    code: str
    text: str
    entry: int | None


class Assessment(Struct, frozen=True, kw_only=True):
    """`health` is None while the spindle is not in a machine."""

    health: Health | None
    reasons: tuple[Reason, ...]
    clearance: Clearance


_Found = tuple[Health, Clearance, Reason]


def worse(one: str | None, other: str | None) -> str | None:
    """The worse of two healths; None is that of a spindle in no machine, and no health at all."""
    known = [each for each in (one, other) if each is not None]
    return min(known, key=[str(each) for each in WORST_FIRST].index, default=None)


def assess(
    state: SpindleState, episodes: tuple[Episode, ...], now: Moment, silent: datetime | None = None
) -> Assessment:
    """The worst of all that stands against the spindle at `now`, with the episodes advanced to it.

    `silent` is when its counter falls silent.
    """
    if state.away:
        reason = Reason(code=f"in_{state.lifecycle}", text=_AWAY[state.lifecycle], entry=state.away_entry)
        return Assessment(health=None, reasons=(reason,), clearance="withheld")
    found = sorted(
        _all_reasons(state, episodes, now, silent),
        key=lambda each: (WORST_FIRST.index(each[0]), _STRICTEST_FIRST.index(each[1])),
    )
    return Assessment(
        health=found[0][0] if found else "normal",
        reasons=tuple(reason for _, _, reason in found),
        clearance=min((each[1] for each in found), key=_STRICTEST_FIRST.index, default="cleared"),
    )


_AWAY: Final = {
    "store": "The spindle is in store.",
    "repair": "The spindle is in repair.",
    "retired": "The spindle is retired.",
}


def _all_reasons(
    state: SpindleState, episodes: tuple[Episode, ...], now: Moment, silent: datetime | None
) -> Iterator[_Found]:
    yield from _force(state)
    yield from _conditions(state)
    yield from _setting(state, now)
    yield from _unproven_out(state)
    yield from _run_out(state)
    yield from _job(state)
    yield from _rechecks(episodes)
    yield from _counter(state, now, silent)


def measured_reasons(state: SpindleState, now: Moment) -> Iterator[tuple[Health, Reason]]:
    """What measurements and conditions say against the spindle, wherever it is; what time adds is left out."""
    for health, _, reason in (*_force(state), *_conditions(state), *_setting(state, now), *_run_out(state)):
        yield health, reason


def _found(health: Health, clearance: Clearance, code: str, text: str, entry: int | None) -> _Found:
    return health, clearance, Reason(code=code, text=text, entry=entry)


def _force(state: SpindleState) -> Iterator[_Found]:
    if state.force is None:
        return
    verdict, entry = state.force.verdict, state.force.at.sequence
    measured = f"{verdict.force.value} {verdict.force.unit}"
    if verdict.below_minimum and verdict.outcome != "conforming":
        yield _found(
            "failure", "withheld", "force_below_minimum", f"Draw force {measured} is below the sheet's minimum.", entry
        )
    elif verdict.outcome == "nonconforming":
        yield _found(
            "out_of_specification",
            "restricted",
            "force_above_maximum",
            f"Draw force {measured} is outside the sheet's limits.",
            entry,
        )
    elif verdict.outcome == "undecided":
        yield _undecided(state, "Draw force", entry, verdict.recall)
    elif verdict.low:
        yield _found(
            "maintenance_required",
            "cleared",
            "force_low",
            f"Draw force {measured} is between the sheet's minimum and its warning.",
            entry,
        )


def _conditions(state: SpindleState) -> Iterator[_Found]:
    for condition in state.conditions:
        if condition.unusable:
            text = f"Noted as unusable until resolved: {condition.component}, {condition.code}."
            yield _found("failure", "withheld", "unusable", text, condition.at.sequence)


def _setting(state: SpindleState, now: Moment) -> Iterator[_Found]:
    standing = state.setting
    if standing is not None and standing.verdict.outcome == "nonconforming":
        mean = standing.verdict.mean
        text = f"Setting depth {mean.value} {mean.unit} is outside the sheet's limits."
        found = _found("out_of_specification", "withheld", "setting_nonconforming", text, standing.at.sequence)
        yield _under_concession(state, now, found)
    elif standing is not None and standing.verdict.outcome == "undecided":
        yield _under_concession(
            state, now, _undecided(state, "Setting depth", standing.at.sequence, standing.verdict.recall)
        )
    elif standing is None and state.job is None and state.asks_setting:
        since = state.commissioned if state.rebuild is None else state.rebuild.at
        text = "No measurement has proven the setting of this spindle yet."
        yield _found("function_check", "restricted", "never_proven", text, since.sequence)


def _under_concession(state: SpindleState, now: Moment, found: _Found) -> _Found:
    """The reason stays; leave that holds restricts where without it the spindle is withheld."""
    concession = conceded(state)
    if concession is None:
        return found
    health, clearance, reason = found
    entry, ends = concession.at.sequence, []
    if concession.until_count is not None:
        ends.append(f"count {concession.until_count}")
    if concession.until is not None:
        ends.append(f"{concession.until.astimezone(UTC):%Y-%m-%d at %H:%M} UTC")
    until = " or ".join(ends)
    if concession.holds(now):
        text = f"{reason.text} A concession (entry {entry}) lets it run until {until}."
        return health, "restricted", replace(reason, text=text)
    return health, clearance, replace(reason, text=f"{reason.text} The concession (entry {entry}) held until {until}.")


def _unproven_out(state: SpindleState) -> Iterator[_Found]:
    for check, moment in state.unproven_out.items():
        text = f"A measurement that proves nothing lay outside the limits ({_CHECK[check]}); measure again."
        yield _found("function_check", "restricted", "unproven_out", text, moment.sequence)


_CHECK: Final = {"setting": "setting depth", "draw_force": "draw force", "run_out": "run-out"}


def _undecided(state: SpindleState, what: str, entry: int | None, recall: Recall | None) -> _Found:
    clearance: Clearance = "restricted" if state.job is None else "withheld"
    text = f"{what} is too close to a limit for the gauge's uncertainty: neither conforming nor nonconforming."
    if recall is not None and recall.without != recall.with_error:
        text = (
            f"{what} is in doubt: {recall.gauge} was found {recall.error.value} {recall.error.unit} out afterwards, "
            "and with that error it would be judged otherwise."
        )
    return _found("function_check", clearance, "undecided", text, entry)


def _run_out(state: SpindleState) -> Iterator[_Found]:
    for standing in state.run_outs:
        verdict = standing.verdict
        if verdict.outcome == "nonconforming":
            text = f"Run-out {verdict.run_out.value} {verdict.run_out.unit} at {verdict.place} is above its limit."
            yield _found("out_of_specification", "restricted", "run_out_nonconforming", text, standing.at.sequence)
        elif verdict.outcome == "undecided":
            yield _undecided(state, f"Run-out at {verdict.place}", standing.at.sequence, verdict.recall)


_JOB: Final = {
    "rebuild": "The clamping set was replaced",
    "adjustment": "The nose was adjusted",
    "torque": "The nose was torqued",
    "component": "A component was replaced",
    "reinstallation": "The spindle was installed again",
}


def _job(state: SpindleState) -> Iterator[_Found]:
    if state.job is not None:
        text = f"{_JOB[state.job.kind]} and no conforming measurement has accepted it yet."
        yield _found("function_check", "withheld", "not_accepted", text, state.job.at.sequence)
    if state.rebuild is not None and state.rebuild.missing:
        text = "The rebuild is not complete: " + "; ".join(state.rebuild.missing) + "."
        yield _found("function_check", "withheld", "rebuild_incomplete", text, state.rebuild.at.sequence)


def _rechecks(episodes: tuple[Episode, ...]) -> Iterator[_Found]:
    for episode in episodes:
        crossed = episode.overdue or episode.due
        by_count = crossed is not None and crossed.sequence is not None
        entry = crossed.sequence if crossed is not None and by_count else episode.anchor.sequence
        if episode.state == "overdue":
            clearance: Clearance = "withheld" if episode.when_overdue == "withhold" else "restricted"
            text = f"Recheck {episode.code} is overdue."
            yield _found("maintenance_required", clearance, "recheck_overdue", text, entry)
        elif episode.code == LOT_CHECK and episode.state == "open":
            text = "The lot of the fitted clamping set was withdrawn, and no check has been made since."
            yield _found("function_check", "restricted", "lot_withdrawn", text, episode.anchor.sequence)
        elif episode.state == "due":
            yield _found("maintenance_required", "cleared", "recheck_due", f"Recheck {episode.code} is due.", entry)
        elif episode.state == "deferred" and episode.deferral is not None:
            text = f"Recheck {episode.code} was put off."
            yield _found("maintenance_required", "restricted", "recheck_deferred", text, episode.deferral.sequence)


def _counter(state: SpindleState, now: Moment, silent: datetime | None) -> Iterator[_Found]:
    track = state.counter
    if track.flag is not None:
        words = f"further than the time allows at {track.max_per_second} a second (the counter's max_per_second)"
        if track.flag.code == "counter_backward":
            words = "lower than before"
        elif track.modulus is not None and track.flag.reading >= track.modulus:
            words = f"although it rolls over at {track.modulus} (its modulus)"
        when = f"{track.flag.time:%Y-%m-%d at %H:%M} UTC"
        text = f"The counter read {track.flag.reading}, {words}, on {when}; it is not counted until explained."
        yield _found("maintenance_required", "restricted", track.flag.code, text, track.flag.sequence)
    if silent is not None and now.time >= silent:
        text = f"The counter was last read on {track.read_at:%Y-%m-%d at %H:%M} UTC."
        yield _found("maintenance_required", "restricted", "counter_silent", text, None)
