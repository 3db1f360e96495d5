"""`/livez` and `/readyz`: whether the process runs, and whether it can keep its promises."""

import asyncio
from typing import Any, Final

from litestar import Request, Response, Router, get
from litestar.di import NamedDependency
from litestar.params import SkipValidation
from msgspec import Struct

from service import ledger, migrate, sealing
from service.api.door import PUBLIC
from service.postgres import ROLE, CannotConnect, Database, Statement
from service.sealing import Seal

_ROLE: Final = Statement("role", "SELECT current_user::text AS taken")
PATIENCE_S: Final = 5


class Liveness(Struct, frozen=True, kw_only=True):
    status: str = "alive"


class Readiness(Struct, frozen=True, kw_only=True):
    """`ready` is whether requests can be served; `findings` are sentences for whoever runs it."""

    ready: bool
    findings: tuple[str, ...]


@get("/livez", sync_to_thread=False)
def livez() -> Liveness:
    """The process runs."""
    return Liveness()


@get("/readyz")
async def readyz(
    request: Request[Any, Any, Any],
    database: NamedDependency[Database],
    seal: NamedDependency[SkipValidation[Seal]],
) -> Response[Readiness]:
    """The database answers and is at this release's revision; what the operator should mend is listed."""
    problems, remarks = await _look(database, seal)
    ready = not problems
    return Response(Readiness(ready=ready, findings=(*problems, *remarks)), status_code=200 if ready else 503)


async def _look(database: Database, seal: Seal) -> tuple[list[str], list[str]]:
    try:
        async with asyncio.timeout(PATIENCE_S), database.transaction() as tx:
            revision = await migrate.current(tx)
            strays = await tx.value(ledger.SQL["readings_outside_weeks"])
            role = await tx.value(_ROLE)
            sealed = await sealing.remarks(tx, seal) if revision == migrate.head() else []
    except CannotConnect as error:
        return [f"the database does not answer: {error}"], []
    problems, remarks = [], sealed
    if revision != migrate.head():
        problems.append(f"the database is at revision {revision}, this release needs {migrate.head()}: run migrate")
    if strays:
        remarks.append("readings lie outside the weekly partitions: run migrate, then move them with a DBA")
    if role != ROLE:
        remarks.append(
            f"the role {ROLE} is not taken, so only triggers protect the ledger: let a DBA run "
            f"CREATE ROLE {ROLE} NOLOGIN; GRANT {ROLE} TO {role}; and then migrate again"
        )
    return problems, remarks


routes: Final = Router(path="/", route_handlers=[livez, readyz], opt=PUBLIC, tags=["running"])
