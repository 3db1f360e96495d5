"""`GET /v1/overview`: how many spindles stand how, in all, in each plant and in each hall."""

from typing import Any, Final

from litestar import Request, Response, Router, get
from litestar.di import NamedDependency

from service.access import Key
from service.api.answered import Answers
from service.api.conditional import Told, told
from service.api.pages import Name
from service.overview import Overview, count_all
from service.postgres import Transaction
from service.pulse import Beat


@get("/")
async def read_overview(
    request: Request[Any, Any, Any], answers: NamedDependency[Answers], key: NamedDependency[Key], plant: Name = None
) -> Response[Overview]:
    """What the key may see: spindles by health, clearance and lifecycle, and how many rechecks are due and overdue."""

    async def make(tx: Transaction, _beat: Beat) -> Told:
        return told(await count_all(tx, plant=plant, plants=key.plants))

    return await answers.answer(request, key, "shown", make)


routes: Final = Router(path="/v1/overview", route_handlers=[read_overview], opt={"scope": "read"}, tags=["spindles"])
