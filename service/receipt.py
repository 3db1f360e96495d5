"""What a single event is answered with: its place, what was judged, and the state then and now."""

from collections.abc import Iterator
from datetime import datetime
from typing import Any, Literal

from msgspec import Struct

from service.domain.announce import Seen
from service.domain.event import EventData
from service.domain.event.gauges import GaugeCalibrated
from service.domain.event.sheets import SheetIssued, ThreadAdjust
from service.domain.fold import view
from service.domain.gauge import Gauge
from service.domain.lot import Lot
from service.domain.sheet import Sheet
from service.domain.shown import RecheckShown, StateShown, recheck_shown, state_shown, verdict_shown
from service.domain.step import Finding, Step
from service.domain.thread import pitch_doubt
from service.ledger import Place
from service.refold import Newest


class Receipt(Struct, frozen=True, kw_only=True):
    """What a single event is answered with. `state` is the state at the event's time as now known; `state_now`
    stands beside it where it differs."""

    status: Literal["accepted", "duplicate"]
    entry: Place
    verdict: dict[str, Any] | None = None
    instruction: Any = None
    shift: Any = None
    findings: tuple[Any, ...] = ()
    opened: tuple[RecheckShown, ...] = ()
    closed: tuple[RecheckShown, ...] = ()
    state: StateShown | None = None
    state_now: StateShown | None = None


def receipt_of(
    status: Literal["accepted", "duplicate"],
    place: Place,
    made: Step,
    occurred: datetime,
    known_then: Newest,
    now: Seen,
) -> Receipt:
    state = state_shown(made.state, view(made.state, occurred, known_then))
    state_now = state_shown(now.state, now.view)
    return Receipt(
        status=status,
        entry=place,
        verdict=None if made.verdict is None else verdict_shown(made.verdict),
        instruction=made.instruction,
        shift=made.shift,
        findings=made.findings,
        opened=tuple(recheck_shown(each) for each in made.opened),
        closed=tuple(recheck_shown(each) for each in made.closed),
        state=state,
        state_now=None if state_now == state else state_now,
    )


def findings_of(data: EventData, after: Sheet | Gauge | Lot | None) -> tuple[Finding, ...]:
    """What the person should know about what they have just recorded of a sheet or gauge."""
    if isinstance(data, GaugeCalibrated) and isinstance(after, Gauge):
        return tuple(_of_calibration(data, after))
    adjust = data.adjust if isinstance(data, SheetIssued) else None
    if not isinstance(adjust, ThreadAdjust) or adjust.size is None or adjust.pitch is None:
        return ()
    doubt = pitch_doubt(adjust.size, adjust.pitch.base)
    return () if doubt is None else (Finding(code="pitch_unusual", text=doubt),)


def _of_calibration(data: GaugeCalibrated, gauge: Gauge) -> Iterator[Finding]:
    permitted = None if gauge.registered is None else gauge.registered.data.permitted_error
    if data.as_found is not None and permitted is None:
        text = "The gauge has no permitted_error, so nobody can say whether it was found out: register it with one."
        yield Finding(code="permitted_error_missing", text=text)
    left = data.as_left or data.as_found
    if left is not None and permitted is not None and abs(left.base) > permitted.base and data.correction is None:
        text = "The gauge was left beyond its permitted error, and no correction is stated: it goes on measuring wrong."
        yield Finding(code="left_out_of_tolerance", text=text)
