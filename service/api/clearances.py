"""`POST /v1/clearances`: may these spindles be used, asked before a job, for up to 500 in one call."""

from datetime import datetime
from typing import Annotated, Any, Final

import msgspec
from litestar import Request, Router, post
from litestar.di import NamedDependency
from msgspec import Meta, Struct

from service.access import Key
from service.api.door import JSON_BODY
from service.api.problems import Problem, problem_of
from service.clearances import Cleared, clearances
from service.domain.event.envelope import decode, refuse_nul
from service.domain.health import Reason
from service.domain.refusal import Refusal
from service.postgres import Database

AT_ONCE_MAX: Final = 500
ADVICE: Final = (
    "Advice by what is recorded, never a statement that a machine or a spindle is safe. The site's procedure, the "
    "maker's documentation, local rules and qualified people decide."
)


class ClearancesAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Spindles by their keys or as `machine/position`, up to 500; each is answered in its place."""

    spindles: Annotated[list[Annotated[str, Meta(min_length=1, max_length=130)]], Meta(min_length=1)]


class ClearanceAnswered(Struct, frozen=True, kw_only=True):
    """`spindle` as it was asked for. Of one that is not known everything is null but its `problem`: nothing is cleared.

    `age_s` is how many seconds ago the count was read that it was judged by.
    """

    spindle: str
    key: str | None = None
    clearance: str | None = None
    reasons: tuple[Reason, ...] = ()
    count: int | None = None
    counted_at: datetime | None = None
    age_s: int | None = None
    problem: Problem | None = None


class ClearancesAnswered(Struct, frozen=True, kw_only=True):
    """Judged at `as_of`, in the order in which they were asked for."""

    as_of: datetime
    advice: str
    items: list[ClearanceAnswered]


class TooManySpindles(Refusal):
    code = "too_many_spindles"


_DECODER: Final = msgspec.json.Decoder(ClearancesAsked)


@post("/", status_code=200, opt={JSON_BODY: ClearancesAsked})
async def post_clearances(
    request: Request[Any, Any, Any], database: NamedDependency[Database], key: NamedDependency[Key]
) -> ClearancesAnswered:
    """Clearance, reasons, count and its age for each spindle. One that is not known is answered with its problem and
    holds up no other. Advice, never a safety release."""
    body = await request.body()
    refuse_nul(body)
    asked: ClearancesAsked = decode(_DECODER, body)
    if len(asked.spindles) > AT_ONCE_MAX:
        text = f"ask for {AT_ONCE_MAX} spindles at most in one call, not {len(asked.spindles)}"
        raise TooManySpindles(text, pointer="/spindles")
    async with database.transaction(snapshot=True) as tx:
        found = await clearances(tx, asked.spindles, key.plants)
        now = tx.now
    items = [_item(name, each, now) for name, each in zip(asked.spindles, found, strict=True)]
    return ClearancesAnswered(as_of=now, advice=ADVICE, items=items)


def _item(name: str, found: Cleared | Refusal, now: datetime) -> ClearanceAnswered:
    if isinstance(found, Refusal):
        return ClearanceAnswered(spindle=name, problem=problem_of(found))
    return ClearanceAnswered(
        spindle=name,
        key=found.key,
        clearance=found.clearance,
        reasons=found.reasons,
        count=found.count,
        counted_at=found.counted_at,
        age_s=max(0, int((now - found.counted_at).total_seconds())),
    )


routes: Final = Router(
    path="/v1/clearances", route_handlers=[post_clearances], opt={"scope": "read"}, tags=["spindles"]
)
