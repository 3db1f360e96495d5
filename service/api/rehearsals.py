"""`POST /v1/sheets/{code}/rehearse`: a changed rule tried on what the ledger has, without recording anything."""

from datetime import UTC, datetime
from decimal import Decimal
from typing import Any, Final

import msgspec
from litestar import Request, Router, post
from litestar.di import NamedDependency
from litestar.params import FromPath
from msgspec import Raw, Struct, field, structs

from service import catalogue
from service.access import Key
from service.api.door import JSON_BODY
from service.api.sheets import SheetNotFound
from service.domain.event.envelope import decode, refuse_nul
from service.domain.event.sheets import DecisionRule, DrawForce, Instant, Recheck, SettingDepth, SheetIssued
from service.domain.event.sheets import Key as Name
from service.domain.quantity import Quantity
from service.domain.question import QuestionRefused, absent, plain_or_none
from service.domain.refusal import Refusal
from service.domain.sheet import Sheet
from service.postgres import Database
from service.rehearse import Rehearsed, Rule, rehearse


class RuleUnfit(Refusal):
    """The rule cannot be rehearsed; the fault names the member."""

    code = "rule_unfit"


class DepthLimits(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Other limits of the setting depth, as deviations from the nominal; what is left out stays."""

    lower: Quantity | None = None
    upper: Quantity | None = None


class ForceLimits(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Other limits of the draw force; what is left out stays."""

    warning: Quantity | None = None
    minimum: Quantity | None = None


class RehearsalCosts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Costs in any unit of money, zero or more: of one check of each kind, of a finding, of running outside."""

    setting: Raw = field(default_factory=absent)
    draw_force: Raw = field(default_factory=absent)
    run_out: Raw = field(default_factory=absent)
    visual: Raw = field(default_factory=absent)
    grease: Raw = field(default_factory=absent)
    finding: Raw = field(default_factory=absent)
    outside_per_1000_cycles: Raw = field(default_factory=absent)


class RehearsalAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A whole `revision`, or changes to the one that holds at the end of the period; the period, up to now at most.

    `plant` for its spindles only.
    """

    since: Instant
    until: Instant | None = None
    plant: Name | None = None
    revision: SheetIssued | None = None
    rechecks: tuple[Recheck, ...] | None = None
    setting_depth: DepthLimits | None = None
    draw_force: ForceLimits | None = None
    decision_rule: DecisionRule | None = None
    costs: RehearsalCosts | None = None


_CHANGES: Final = ("rechecks", "setting_depth", "draw_force", "decision_rule")
_ASKED: Final = msgspec.json.Decoder(RehearsalAsked)


@post("/{code:str}/rehearse", status_code=200, opt={JSON_BODY: RehearsalAsked})
async def post_rehearsal(
    request: Request[Any, Any, Any],
    code: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
) -> Rehearsed:
    """Runs another rule over the past and answers what would have been due, caught and spent, against what was done.

    Measurements that were not made stay unknown: where the answer estimates, it says so. Nothing is recorded.
    """
    body = await request.body()
    refuse_nul(body)
    asked: RehearsalAsked = decode(_ASKED, body)
    async with database.transaction(snapshot=True) as tx:
        known = await catalogue.references(tx, {("sheets", code)}, share=False)
        now = tx.now
    if code not in known.sheets:
        raise SheetNotFound(f"there is no sheet {code!r}")
    since, until = _period(asked, now)
    rule = Rule(
        code=code,
        issued=_issued(asked, known.sheets[code], until),
        since=since,
        until=until,
        plant=asked.plant,
        plants=key.plants,
        costs=None if asked.costs is None else _costs(asked.costs),
    )
    return await rehearse(database, rule)


def _period(asked: RehearsalAsked, now: datetime) -> tuple[datetime, datetime]:
    since, until = asked.since.astimezone(UTC), now if asked.until is None else asked.until.astimezone(UTC)
    if until > now:
        raise RuleUnfit("a rehearsal is of the past: until is in the future", pointer="/until")
    if since >= until:
        raise RuleUnfit("since lies before until", pointer="/since")
    return since, until


def _issued(asked: RehearsalAsked, sheet: Sheet, until: datetime) -> SheetIssued:
    """The revision that is tried. Raises RuleUnfit."""
    changes = [name for name in _CHANGES if getattr(asked, name) is not None]
    if asked.revision is not None:
        if changes:
            raise RuleUnfit("state either a whole revision or changes to the one that holds", pointer=f"/{changes[0]}")
        return asked.revision
    if not changes:
        raise RuleUnfit(f"state a revision, or what is changed: {', '.join(_CHANGES)}", pointer="/revision")
    held = sheet.at(until).issued
    made: dict[str, Any] = {name: getattr(asked, name) for name in ("rechecks", "decision_rule") if name in changes}
    for name, kind in (("setting_depth", SettingDepth), ("draw_force", DrawForce)):
        if name in changes:
            made[name] = _changed(name, getattr(held, name), kind, getattr(asked, name))
    issued: SheetIssued = _with("", held, made)
    return issued


def _changed(name: str, held: Any, kind: type[Any], limits: Any) -> Any:
    if not isinstance(held, kind):
        raise RuleUnfit(f"the sheet states no {name} that could be changed", pointer=f"/{name}")
    stated = {member: value for member, value in structs.asdict(limits).items() if value is not None}
    return _with(f"/{name}", held, stated)


def _with(under: str, held: Any, changes: dict[str, Any]) -> Any:
    """What is changed, held to the rules of a sheet, which its structs keep. Raises RuleUnfit."""
    try:
        return structs.replace(held, **changes)
    except ValueError as error:
        _, place, words = str(error).split(": ", 2)
        raise RuleUnfit(words, pointer=under + place) from error


def _costs(costs: RehearsalCosts) -> dict[str, Decimal]:
    found = {}
    for name in RehearsalCosts.__struct_fields__:
        value = plain_or_none(getattr(costs, name), f"/costs/{name}")
        if value is not None and value < 0:
            raise QuestionRefused(f"{name}: {format(value, 'f')} is below zero", pointer=f"/costs/{name}")
        if value is not None:
            found[name] = value
    return found


routes: Final = Router(path="/v1/sheets", route_handlers=[post_rehearsal], opt={"scope": "read"}, tags=["sheets"])
