"""`POST /v1/evaluations/…`: what judges a spindle, asked without recording anything."""

import asyncio
from datetime import datetime
from typing import Any, Final

import msgspec
from litestar import Request, Router, post
from litestar.di import NamedDependency
from msgspec import Struct

from service import catalogue
from service.api.door import JSON_BODY, time_of
from service.domain import evaluation
from service.domain.budget import BudgetAsked, BudgetEvaluated, evaluate_budget
from service.domain.chart import ChartAsked, ChartEvaluated, evaluate_chart
from service.domain.conformity import (
    ConformityAsked,
    ConformityEvaluated,
    GlobalRiskAsked,
    GlobalRiskEvaluated,
    evaluate_conformity,
    evaluate_global_risk,
)
from service.domain.evaluation import Assumption, SettingAsked, evaluate_setting
from service.domain.event.envelope import Unreadable, decode, refuse_nul
from service.domain.gauge import Gauge
from service.domain.growth import GrowthAsked, GrowthEvaluated, evaluate_growth
from service.domain.life import LifeAsked, LifeEvaluated, evaluate_life
from service.domain.line import LineAsked, LineEvaluated, evaluate_line
from service.domain.question import QuestionRefused
from service.domain.replacement import ReplacementAsked, ReplacementEvaluated, evaluate_replacement
from service.domain.sheet import Revision
from service.domain.shown import verdict_shown
from service.domain.spring import SpringAsked, SpringEvaluated, evaluate_spring
from service.domain.step import SheetUnknown
from service.domain.study import StudyAsked, StudyEvaluated, evaluate_study
from service.domain.trend import TrendAsked, TrendEvaluated, evaluate_trend
from service.domain.turn import Instruction
from service.postgres import Database, Transaction

_SETTING: Final = msgspec.json.Decoder(SettingAsked)
_CONFORMITY: Final = msgspec.json.Decoder(ConformityAsked)
_GLOBAL_RISK: Final = msgspec.json.Decoder(GlobalRiskAsked)
_BUDGET: Final = msgspec.json.Decoder(BudgetAsked)
_LINE: Final = msgspec.json.Decoder(LineAsked)
_STUDY: Final = msgspec.json.Decoder(StudyAsked)
_CHART: Final = msgspec.json.Decoder(ChartAsked)
_TREND: Final = msgspec.json.Decoder(TrendAsked)
_LIFE: Final = msgspec.json.Decoder(LifeAsked)
_GROWTH: Final = msgspec.json.Decoder(GrowthAsked)
_REPLACEMENT: Final = msgspec.json.Decoder(ReplacementAsked)
_SPRING: Final = msgspec.json.Decoder(SpringAsked)


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


@post("/global-risk", status_code=200, opt={JSON_BODY: GlobalRiskAsked})
async def post_global_risk(request: Request[Any, Any, Any]) -> GlobalRiskEvaluated:
    """What a way of accepting costs over all that a process makes: consumer's and producer's risk."""
    asked: GlobalRiskAsked = await _asked(request, _GLOBAL_RISK)
    return evaluate_global_risk(asked)


@post("/budget", status_code=200, opt={JSON_BODY: BudgetAsked})
async def post_budget(request: Request[Any, Any, Any]) -> BudgetEvaluated:
    """Combines contributions to an uncertainty, correlations and degrees of freedom included."""
    asked: BudgetAsked = await _asked(request, _BUDGET)
    return await asyncio.to_thread(evaluate_budget, asked)


@post("/line", status_code=200, opt={JSON_BODY: LineAsked})
async def post_line(request: Request[Any, Any, Any]) -> LineEvaluated:
    """Fits a straight line, with the uncertainty of its terms and of what it predicts."""
    asked: LineAsked = await _asked(request, _LINE)
    return await asyncio.to_thread(evaluate_line, asked)


@post("/study", status_code=200, opt={JSON_BODY: StudyAsked})
async def post_study(request: Request[Any, Any, Any]) -> StudyEvaluated:
    """Judges a gauge by parts that several people have measured several times."""
    asked: StudyAsked = await _asked(request, _STUDY)
    return await asyncio.to_thread(evaluate_study, asked)


@post("/chart", status_code=200, opt={JSON_BODY: ChartAsked})
async def post_chart(request: Request[Any, Any, Any]) -> ChartEvaluated:
    """Puts a series on a control chart: which points signal, and how seldom chance does it."""
    asked: ChartAsked = await _asked(request, _CHART)
    return await asyncio.to_thread(evaluate_chart, asked)


@post("/trend", status_code=200, opt={JSON_BODY: TrendAsked})
async def post_trend(request: Request[Any, Any, Any]) -> TrendEvaluated:
    """Tells whether a series rises or falls, how steeply, and when it meets a limit."""
    asked: TrendAsked = await _asked(request, _TREND)
    return await asyncio.to_thread(evaluate_trend, asked)


@post("/life", status_code=200, opt={JSON_BODY: LifeAsked})
async def post_life(request: Request[Any, Any, Any]) -> LifeEvaluated:
    """Tells how long something lasts, from failures and from lives that were cut short."""
    asked: LifeAsked = await _asked(request, _LIFE)
    return await asyncio.to_thread(evaluate_life, asked)


@post("/growth", status_code=200, opt={JSON_BODY: GrowthAsked})
async def post_growth(request: Request[Any, Any, Any]) -> GrowthEvaluated:
    """Tells whether the failures of one thing that is put right each time grow rarer."""
    asked: GrowthAsked = await _asked(request, _GROWTH)
    return await asyncio.to_thread(evaluate_growth, asked)


@post("/replacement", status_code=200, opt={JSON_BODY: ReplacementAsked})
async def post_replacement(request: Request[Any, Any, Any]) -> ReplacementEvaluated:
    """Tells at which age replacing pays, before it fails, or that none pays."""
    asked: ReplacementAsked = await _asked(request, _REPLACEMENT)
    return await asyncio.to_thread(evaluate_replacement, asked)


@post("/spring", status_code=200, opt={JSON_BODY: SpringAsked})
async def post_spring(request: Request[Any, Any, Any]) -> SpringEvaluated:
    """Tells force and energy of a disc spring, of a stack of them, and of one with a broken disc."""
    asked: SpringAsked = await _asked(request, _SPRING)
    return await asyncio.to_thread(evaluate_spring, asked)


async def _asked(request: Request[Any, Any, Any], decoder: "msgspec.json.Decoder[Any]") -> Any:
    """The question, every number as it was written. Raises QuestionRefused or Malformed."""
    body = await request.body()
    refuse_nul(body)
    try:
        return decode(decoder, body)
    except Unreadable as refusal:
        raise QuestionRefused(refusal.detail, faults=refusal.faults) from refusal


routes: Final = Router(
    path="/v1/evaluations",
    route_handlers=[
        *(post_setting, post_conformity, post_global_risk, post_budget, post_line, post_study),
        *(post_chart, post_trend, post_life, post_growth, post_replacement, post_spring),
    ],
    opt={"scope": "read"},
    tags=["evaluations"],
)
