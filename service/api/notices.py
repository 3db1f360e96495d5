"""`/v1/notices/{notice}`: a notice whole, where a webhook had to be sent thin."""

import re
from typing import Any, Final

from litestar import Request, Response, Router, get
from litestar.di import NamedDependency
from litestar.params import FromPath
from msgspec import Raw

from service import outbox
from service.access import Key
from service.api.conditional import answer
from service.domain.refusal import Refusal
from service.postgres import Database

_NOTICE: Final = r"ntc_[a-z2-7]{32}"


class NoticeNotFound(Refusal):
    """There is no such notice, or it is not this key's to see."""

    code = "notice_not_found"


@get("/{notice:str}")
async def read_notice(
    request: Request[Any, Any, Any],
    notice: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
) -> Response[Raw]:
    """A notice as it was put, with all that a thin webhook left out. What is about several plants, or about none, is
    not there for a key that is bound to plants.
    """
    async with database.transaction() as tx:
        known = re.fullmatch(_NOTICE, notice)
        found = await outbox.notice_body(tx, notice, key.plants) if known else None
    if found is None:
        raise NoticeNotFound("there is no such notice")
    return answer(request, Raw(found))


routes: Final = Router(path="/v1/notices", route_handlers=[read_notice], opt={"scope": "read"}, tags=["webhooks"])
