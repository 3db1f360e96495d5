"""`GET /v1/plan`: what falls due in the coming weeks, day by day and hall by hall, and what is needed for it."""

from typing import Annotated, Final

from litestar import Router, get
from litestar.di import NamedDependency
from litestar.params import QueryParameter

from service.access import Key
from service.api.pages import Name
from service.clocks import Clocks
from service.plan import Asked, Plan, plan
from service.postgres import Database

_MINUTES: Final = "how long a check takes, for the hours of a day; the 30 is ours, say what it is at your plant"


@get("/")
async def read_plan(
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    clocks: NamedDependency[Clocks],
    weeks: Annotated[int, QueryParameter(ge=1, le=26, description="how far to look ahead")] = 6,
    plant: Name = None,
    minutes_per_check: Annotated[int, QueryParameter(ge=1, le=1440, description=_MINUTES)] = 30,
    limit: Annotated[int, QueryParameter(ge=1, le=10_000, description="how many items at most")] = 1000,
) -> Plan:
    """Rechecks by the median of their due time, with its intervals; calibrations of gauges and torque tools; kits.

    By the forecasts that are kept, which follow the counters by seconds. An estimate for planning; what is due is told
    by the spindle, and clearance is told there.
    """
    asked = Asked(weeks=weeks, plant=plant, plants=key.plants, limit=limit, minutes_per_check=minutes_per_check)
    async with database.transaction(snapshot=True) as tx:
        return await plan(tx, asked, clocks)


routes: Final = Router(path="/v1/plan", route_handlers=[read_plan], opt={"scope": "read"}, tags=["rechecks"])
