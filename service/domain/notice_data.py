"""What each type of notice tells in its `data`, and what is left of it where the whole would be too large to send.

Standard Webhooks 1.0 ("Payload size") asks for at most 20 kB; CloudEvents 1.0 ("Size Limits") has everything forward an
event of 64 KiB.
"""

from bisect import bisect_right
from collections.abc import Callable
from datetime import datetime
from typing import Any, Final

from msgspec import Struct, field
from msgspec.structs import replace

from service.domain.health import Reason
from service.domain.notice import Notice, webhook_body
from service.domain.quantity import Quantity
from service.domain.shown import MomentShown, RecheckShown, StepShown
from service.domain.work_order import CauseName, EndedShown, Proof, RequestState

SENT_BYTES_MAX: Final = 20_000
"""A body of more bytes is sent thin."""
WHOLE_BYTES_MAX: Final = 64_000
"""A whole body has no more bytes: what does not fit is left out and counted."""


class OfSpindle(Struct, frozen=True, kw_only=True):
    """Where a spindle stands, and its last proof in what the notice is about. Place and health are null in store."""

    spindle: str
    plant: str
    hall: str | None
    machine: str | None
    position: str | None
    health: str | None
    clearance: str
    count: int
    last_proof: MomentShown | None


class RecheckNotice(OfSpindle, frozen=True, kw_only=True):
    """One episode of a recheck, as it is when this is told."""

    recheck: RecheckShown
    cautions: tuple[str, ...]


class SettingRejected(OfSpindle, frozen=True, kw_only=True):
    """A setting outside its limits; `entry` is the measurement."""

    verdict: dict[str, Any]
    entry: int


class DrawForceLow(OfSpindle, frozen=True, kw_only=True):
    """A draw force below its warning or its minimum; `entry` is the measurement."""

    verdict: dict[str, Any]
    entry: int


class DrawForceStepped(OfSpindle, frozen=True, kw_only=True):
    """A sudden loss of draw force; `entry` is the measurement that it was found with."""

    step: StepShown
    entry: int
    cautions: tuple[str, ...]


class CounterBackward(OfSpindle, frozen=True, kw_only=True):
    """A counter that was not believed. `code` says which way it went, `reading` is what it said."""

    code: str
    reading: int


class CounterSilent(OfSpindle, frozen=True, kw_only=True):
    """A counter that has been quiet for half as long again as it usually is."""

    last_read: datetime


class HealthChanged(OfSpindle, frozen=True, kw_only=True):
    """Health as it was and is, with the reasons for what it is; `href` has those that are `left_out`, too."""

    earlier: str | None = field(name="from")
    now: str | None = field(name="to")
    reasons: tuple[Reason, ...]
    left_out: int
    href: str


class VerdictChanged(Struct, frozen=True, kw_only=True):
    """A measurement whose verdict a recall has changed."""

    entry: int
    check: str
    time: datetime
    was: str
    now: str


class CheckOpened(Struct, frozen=True, kw_only=True):
    """A check that a recall has opened."""

    recheck: str
    check: str
    episode: str


class SpindleInDoubt(Struct, frozen=True, kw_only=True):
    """A spindle that a recall reaches: the last of the `verdicts_changed`, and by check its last proof."""

    spindle: str
    plant: str
    machine: str | None
    health: str | None
    clearance: str
    checks: tuple[CheckOpened, ...]
    last_proof: dict[str, MomentShown | None]
    changed: tuple[VerdictChanged, ...]
    verdicts_changed: int


class GaugeFoundOut(Struct, frozen=True, kw_only=True):
    """What a gauge was found out by: the newest calibration and all that say so; its error and what it may be."""

    gauge: str
    calibration: int
    calibrations: tuple[int, ...]
    as_found: Quantity | None
    permitted_error: Quantity | None
    last_good_calibration: datetime | None


class LotFoundOut(Struct, frozen=True, kw_only=True):
    """What withdrew a lot."""

    withdrawal: int
    reason: str


class GaugeSuspect(GaugeFoundOut, frozen=True, kw_only=True):
    """What a gauge has judged is in doubt: of `judged_again` spindles `in_doubt`, of which `left_out` are not listed.

    `href` is the address that lists all that it judged, `entry` what the recall follows from.
    """

    entry: str
    judged_again: int
    in_doubt: int
    spindles: tuple[SpindleInDoubt, ...]
    left_out: int
    href: str
    cautions: tuple[str, ...]


class LotSuspect(LotFoundOut, frozen=True, kw_only=True):
    """What a lot went into is in doubt: of `judged_again` spindles `in_doubt`, of which `left_out` are not listed.

    `href` is the address that lists all of them, `entry` what the recall follows from.
    """

    lot: str
    entry: str
    judged_again: int
    in_doubt: int
    spindles: tuple[SpindleInDoubt, ...]
    left_out: int
    href: str
    cautions: tuple[str, ...]


class OrderTold(Struct, frozen=True, kw_only=True):
    """A work order as it now is; `href` is the address that has its job and planning."""

    id: str
    cause: CauseName
    about: str
    reason: str
    text: str
    health: str
    priority: int
    due_by: datetime | None
    due_by_count: int | None
    entry: int | None
    ended: EndedShown | None
    state: RequestState
    proof: Proof
    number: str | None
    href: str


class WorkOrderChanged(Struct, frozen=True, kw_only=True):
    """A work order that was opened, changed, planned or ended, with the place of its spindle."""

    work_order: OrderTold
    spindle: str
    plant: str
    hall: str | None
    machine: str | None
    position: str | None
    cautions: tuple[str, ...]


class EndpointFailing(Struct, frozen=True, kw_only=True):
    """A webhook endpoint at which nothing succeeds: its failures in a row, and since when."""

    endpoint: str
    failures: int
    failing_since: datetime | None


class EndpointDisabled(Struct, frozen=True, kw_only=True):
    """A webhook endpoint that is sent nothing more."""

    endpoint: str
    reason: str


class EndpointPing(Struct, frozen=True, kw_only=True):
    """A ping that was asked for."""

    endpoint: str


class ThinData(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What is left of a notice's data where the body would have more than 20 kB: what identifies it, and counts.

    `href` is the address of the whole (`GET /v1/notices/{notice}`); a receiver's key needs the scope `read` for it.
    """

    href: str
    spindle: str | None = None
    plant: str | None = None
    machine: str | None = None
    position: str | None = None
    health: str | None = None
    clearance: str | None = None
    count: int | None = None
    gauge: str | None = None
    calibration: int | None = None
    lot: str | None = None
    withdrawal: int | None = None
    entry: str | int | None = None
    judged_again: int | None = None
    in_doubt: int | None = None


NOTICE_DATA: Final[dict[str, type[Struct]]] = {
    "recheck.opened": RecheckNotice,
    "recheck.due": RecheckNotice,
    "recheck.overdue": RecheckNotice,
    "recheck.satisfied": RecheckNotice,
    "recheck.superseded": RecheckNotice,
    "setting.rejected": SettingRejected,
    "draw_force.low": DrawForceLow,
    "draw_force.stepped": DrawForceStepped,
    "spindle.health_changed": HealthChanged,
    "gauge.suspect": GaugeSuspect,
    "lot.suspect": LotSuspect,
    "counter.backward": CounterBackward,
    "counter.silent": CounterSilent,
    "work_order.changed": WorkOrderChanged,
    "endpoint.failing": EndpointFailing,
    "endpoint.disabled": EndpointDisabled,
    "endpoint.ping": EndpointPing,
}
"""What the `data` of each type is made of."""


def episode_told(notice: Notice) -> RecheckShown | None:
    """The episode that a notice is about, None where it is about none."""
    return notice.data.recheck if isinstance(notice.data, RecheckNotice) else None


def address_of(notice_id: str) -> str:
    """Where a notice can be read whole."""
    return f"/v1/notices/{notice_id}"


class Bodies(Struct, frozen=True, kw_only=True):
    """The very bytes that are sent, and the whole where that is more; None where what is sent is all."""

    sent: bytes
    whole: bytes | None = None


def bodies_of(notice: Notice) -> Bodies:
    """The notice as it is sent: thin where the whole has more than 20 kB."""
    whole = webhook_body(notice)
    if len(whole) <= SENT_BYTES_MAX:
        return Bodies(sent=whole)
    kept = {name: getattr(notice.data, name, None) for name in ThinData.__struct_fields__ if name != "href"}
    return Bodies(sent=webhook_body(replace(notice, data=ThinData(href=address_of(notice.id), **kept))), whole=whole)


def fitted(with_first: Callable[[int], Notice], most: int) -> Notice:
    """The notice with the first of `most` things, as many as a whole body takes. `with_first` makes it with so many."""
    if len(webhook_body(notice := with_first(most))) <= WHOLE_BYTES_MAX:
        return notice
    fit = bisect_right(range(most + 1), WHOLE_BYTES_MAX, key=lambda count: len(webhook_body(with_first(count))))
    return with_first(max(fit - 1, 0))
