"""`POST /v1/evaluations/…`: what judges a spindle, asked without recording anything."""

from datetime import datetime
from typing import Any, Final

import msgspec
from litestar import Request, Router, post
from litestar.di import NamedDependency
from msgspec import Struct

from service import catalogue
from service.api.door import JSON_BODY, time_of
from service.domain import evaluation
from service.domain.evaluation import (
    Assumption,
    ConformityAsked,
    ConformityEvaluated,
    QuestionRefused,
    SettingAsked,
    evaluate_conformity,
    evaluate_setting,
)
from service.domain.event.envelope import Unreadable, decode, refuse_nul
from service.domain.gauge import Gauge
from service.domain.sheet import Revision
from service.domain.shown import verdict_shown
from service.domain.step import SheetUnknown
from service.domain.turn import Instruction
from service.postgres import Database, Transaction

_SETTING: Final = msgspec.json.Decoder(SettingAsked)
_CONFORMITY: Final = msgspec.json.Decoder(ConformityAsked)


class SettingAnswer(Struct, frozen=True, kw_only=True):
    """Verdict and instruction as a receipt would carry them; `assumed` is what the question did not say."""

    verdict: dict[str, Any]
    instruction: Instruction | None
    assumed: tuple[Assumption, ...]
    at: datetime
    method: str = evaluation.SETTING_METHOD


@post("/setting", status_code=200, opt={JSON_BODY: SettingAsked})
async def post_setting(request: Request[Any, Any, Any], database: NamedDependency[Database]) -> SettingAnswer:
    """Judges readings by a sheet and a gauge, by key or stated with the question, as recording them would."""
    asked: SettingAsked = await _asked(request, _SETTING)
    async with database.transaction(snapshot=True) as tx:
        at = tx.now if asked.at is None else time_of(asked.at, "/at")
        revision, gauge = await _judged_by(tx, asked, at)
    found = evaluate_setting(asked, at=at, revision=revision, gauge=gauge)
    return SettingAnswer(
        verdict=verdict_shown(found.verdict), instruction=found.instruction, assumed=found.assumed, at=at
    )


async def _judged_by(tx: Transaction, asked: SettingAsked, at: datetime) -> tuple[Revision, Gauge | None]:
    names = {(kind, key) for kind, key in (("sheets", asked.sheet), ("gauges", asked.gauge)) if isinstance(key, str)}
    known = await catalogue.references(tx, names, share=False)
    if not isinstance(asked.sheet, str):
        revision = evaluation.stated_revision(asked.sheet)
    elif asked.sheet in known.sheets:
        revision = known.sheets[asked.sheet].at(at)
    else:
        raise SheetUnknown(f"sheet {asked.sheet!r} has never been issued", pointer="/sheet")
    if asked.gauge is None or isinstance(asked.gauge, str):
        return revision, None if asked.gauge is None else known.gauges.get(asked.gauge)
    return revision, evaluation.stated_gauge(asked.gauge)


@post("/conformity", status_code=200, opt={JSON_BODY: ConformityAsked})
async def post_conformity(request: Request[Any, Any, Any]) -> ConformityEvaluated:
    """Decides whether y conforms, with the risk of accepting it."""
    asked: ConformityAsked = await _asked(request, _CONFORMITY)
    return evaluate_conformity(asked)


async def _asked(request: Request[Any, Any, Any], decoder: "msgspec.json.Decoder[Any]") -> Any:
    """The question, every number as it was written. Raises QuestionRefused or Malformed."""
    body = await request.body()
    refuse_nul(body)
    try:
        return decode(decoder, body)
    except Unreadable as refusal:
        raise QuestionRefused(refusal.detail, faults=refusal.faults) from refusal


routes: Final = Router(
    path="/v1/evaluations", route_handlers=[post_setting, post_conformity], opt={"scope": "read"}, tags=["evaluations"]
)
