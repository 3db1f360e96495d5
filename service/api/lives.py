"""`GET /v1/life`: how long clamping sets last, per sheet and plant, and what to expect of those that run."""

from decimal import Decimal, InvalidOperation
from typing import Annotated, Final

from litestar import Router, get
from litestar.di import NamedDependency
from litestar.params import QueryParameter

from service import ledger
from service.access import Key
from service.api.pages import Name
from service.api.sheets import SheetNotFound
from service.api.spindles import SpindleNotFound
from service.domain.refusal import Refusal
from service.domain.set_fit import Costs
from service.domain.set_life import FAILURES, Unit, failures_of
from service.postgres import Database
from service.set_lives import Asked, Life, life, plant_of

_FAILURES: Final = f"reasons for a rebuild that count as failures, with commas; without it {','.join(FAILURES)}"
_PLANNED: Final = "what a planned replacement costs, everything included; with `cost_failure`"
_FAILED: Final = "what a failure costs, everything included; with `cost_planned`"
_LEVEL: Final = "the share of courses in which the kits are to be enough"


class CostUnfit(Refusal):
    """Both costs are stated, as numbers above zero."""

    code = "cost_unfit"


@get("/")
async def read_life(
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    sheet: Name = None,
    plant: Name = None,
    spindle: Name = None,
    unit: Annotated[Unit, QueryParameter(description="what a life is told in; days are those in a machine")] = "cycles",
    failures: Annotated[str | None, QueryParameter(max_length=200, description=_FAILURES)] = None,
    confidence: Annotated[float, QueryParameter(ge=0.5, le=0.9999, description="of the bounds, two-sided")] = 0.95,
    cost_planned: Annotated[str | None, QueryParameter(max_length=40, description=_PLANNED)] = None,
    cost_failure: Annotated[str | None, QueryParameter(max_length=40, description=_FAILED)] = None,
    months: Annotated[int, QueryParameter(ge=1, le=24, description="how far to expect rebuilds")] = 6,
    service_level: Annotated[float, QueryParameter(ge=0.5, le=0.9999, description=_LEVEL)] = 0.9,
) -> Life:
    """Weibull fits with bounds and survival, of sets as the ledger has them; below a stated number of failures what is
    missing instead. An estimate for planning; it says of no single set that it may go on.
    """
    asked = Asked(
        sheet=sheet,
        plant=plant,
        spindle=spindle,
        plants=key.plants,
        unit=unit,
        failures=failures_of(failures),
        confidence=confidence,
        costs=_costs(cost_planned, cost_failure),
        months=months,
        service_level=service_level,
    )
    async with database.transaction(snapshot=True) as tx:
        if sheet is not None and await ledger.find(tx, "sheets", sheet) is None:
            raise SheetNotFound(f"there is no sheet {sheet!r}")
        where = None if spindle is None else await plant_of(tx, spindle)
        if spindle is not None and (where is None or (key.plants is not None and where not in key.plants)):
            raise SpindleNotFound(f"there is no spindle {spindle!r}")
        return await life(tx, asked)


def _costs(planned: str | None, failure: str | None) -> Costs | None:
    if planned is None and failure is None:
        return None
    return Costs(planned=_cost(planned, "cost_planned"), failure=_cost(failure, "cost_failure"))


def _cost(written: str | None, name: str) -> float:
    if written is None:
        raise CostUnfit(f"{name} is needed beside the other cost", parameter=name)
    try:
        value = Decimal(written)
    except InvalidOperation:
        value = Decimal("NaN")
    if not value.is_finite() or not 0 < value < Decimal(10) ** 15:
        raise CostUnfit(f"{name} is a number above zero, {written!r} is not", parameter=name)
    return float(value)


routes: Final = Router(path="/v1/life", route_handlers=[read_life], opt={"scope": "read"}, tags=["sheets"])
