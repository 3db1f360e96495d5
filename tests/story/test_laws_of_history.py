"""Laws of a history through the ledger: whatever the order of arrival, the same facts and corrections end alike."""

import random
from typing import Any, Final

import pytest

from service.rebuild import rebuild
from tests.domain.skerrow import mm, q
from tests.running import Json, Running, differences, running
from tests.story.loading import ago, assert_whole, commissioned, event, measured, references
from tests.story.test_late_facts import without_places

SPINDLE: Final = "S1"
SUBJECT: Final = f"spindles/{SPINDLE}"


def at(minutes: float) -> Any:
    return ago(minutes=3000 - minutes)


def said(kind: str, name: str, target: str, minutes: float, **data: Any) -> Json:
    """A correction or a void; it was made at that time."""
    whole = {"target": {"source": "/skerrow/tablet", "id": target}, "reason": "misread", **data}
    return event(kind, SUBJECT, at(minutes), whole, name=name, source="/skerrow/tablet")


def told(kind: str, name: str, minutes: float, data: Json) -> Json:
    return event(kind, SUBJECT, at(minutes), data, name=name, source="/skerrow/tablet")


def depth(name: str, minutes: float, value: str, **changes: Any) -> Json:
    return measured(SPINDLE, at(minutes), value, value, name=name, source="/skerrow/tablet", **changes)


FACTS: Final[list[Json]] = [
    told("clamping_set.replaced", "rebuild", 10, {"segments_seated": 6, "o_ring_fitted": True, "reason": "worn"}),
    told("nose.torqued", "torque", 20, {"torque": q("37", "N.m"), "how": "set"}),
    told("clamp.exercised", "run in", 21, {"cycles": 3}),
    depth("first", 30, "11.52"),
    told("nose.adjusted", "turn", 40, {"turn": q("24", "deg"), "direction": "out"}),
    told("nose.torqued", "torque again", 50, {"torque": q("37", "N.m"), "how": "set"}),
    told("clamp.exercised", "run in again", 51, {"cycles": 3}),
    depth("second", 60, "11.40"),
    told("counter.read", "count", 500, {"count": 118_300}),
    told("counter.read", "far count", 900, {"count": 118_900}),
    depth("third", 1000, "11.46"),
    told("condition.noted", "scored", 1100, {"component": "draw bar", "code": "scored", "unusable": False}),
]
CORRECTIONS: Final[list[Json]] = [
    said("entry.corrected", "c1", "third", 1200, data=depth("third", 1000, "11.43")["data"]),
    said("entry.corrected", "c2", "third", 1210, data=depth("third", 1000, "11.42")["data"]),
    said("entry.corrected", "c3", "far count", 1220, data={"count": 118_400}),
    said("entry.voided", "v1", "scored", 1230),
    said("entry.voided", "v2", "first", 1240),
    said("entry.voided", "v3", "v2", 1250),
    said("entry.corrected", "c4", "c1", 1205, data=depth("third", 1000, "11.36")["data"]),
]
NEEDS: Final = {name["id"]: name["data"]["target"]["id"] for name in CORRECTIONS}


def shuffled(seed: int) -> list[Json]:
    """Everything in some order in which what is spoken of comes first."""
    chance = random.Random(seed)
    waiting, order, there = [*FACTS, *CORRECTIONS], [], set[str]()
    while waiting:
        ready = [each for each in waiting if NEEDS.get(each["id"]) in (None, *there)]
        taken = chance.choice(ready)
        waiting.remove(taken)
        order.append(taken)
        there.add(taken["id"])
    return order


async def seen(ledger: Running) -> Json:
    shown = await ledger.spindle(SPINDLE)
    for moved in ("sequence", "settled_at"):
        shown.pop(moved)
    shown["rechecks"] = sorted(shown["rechecks"], key=lambda each: (each["recheck"], each["since"]["time"]))
    items = (await ledger.client.get(f"/v1/spindles/{SPINDLE}/measurements")).json()["items"]
    return {"spindle": without_places(shown), "measurements": [without_places(each) for each in items]}


async def loaded(ledger: Running, order: list[Json]) -> Json:
    await ledger.record_all([*references(), commissioned(SPINDLE)])
    for sent in order:
        await ledger.record(sent)
    return await seen(ledger)


async def assert_nothing_differs(ledger: Running) -> None:
    looked = [each async for each in rebuild(ledger.database)]
    assert [each for each in looked if each.differences or each.failed] == []
    await assert_whole(ledger.database, ledger.url)


@pytest.mark.parametrize("seed", range(6))
async def test_any_order_of_arrival_of_facts_and_corrections_ends_in_the_same_state(
    database_url: str, another_database_url: str, seed: int
) -> None:
    async with running(database_url) as ordered, running(another_database_url) as other:
        first = await loaded(ordered, [*FACTS, *CORRECTIONS])
        second = await loaded(other, shuffled(seed))
        assert differences(first, second) == {}
        await assert_nothing_differs(ordered)
        await assert_nothing_differs(other)


async def test_correcting_twice_is_correcting_once_by_the_last(database_url: str, another_database_url: str) -> None:
    async with running(database_url) as twice, running(another_database_url) as once:
        assert await loaded(twice, [*FACTS, *CORRECTIONS[:2]]) == await loaded(once, [*FACTS, CORRECTIONS[1]])


async def test_voiding_a_void_restores_and_correcting_back_is_as_never_corrected(
    database_url: str, another_database_url: str
) -> None:
    async with running(database_url) as undone, running(another_database_url) as never:
        back = said("entry.corrected", "back", "third", 1300, data=depth("third", 1000, "11.46")["data"])
        undone_facts = [*FACTS, CORRECTIONS[4], CORRECTIONS[5], CORRECTIONS[0], back]
        assert await loaded(undone, undone_facts) == await loaded(never, FACTS)
        await assert_nothing_differs(undone)


async def test_what_corrections_say_stands_in_the_history_beside_what_they_correct(database_url: str) -> None:
    async with running(database_url) as ledger:
        await loaded(ledger, [*FACTS, *CORRECTIONS])
        by_id = {each["id"]: each for each in await ledger.history(SPINDLE)}
        assert by_id["third"]["data"]["readings"][0]["depth"] == mm("11.46"), "as it was recorded"
        third = by_id["third"]["superseded"]
        assert (third["by"], third["voided"], third["actor"]) == (by_id["c2"]["sequence"], False, "k.m. fitter")
        assert third["reason"] == "misread"
        assert by_id["scored"]["superseded"]["voided"]
        assert by_id["first"]["superseded"] is None, "the void of it was voided"
        assert by_id["v2"]["superseded"]["by"] == by_id["v3"]["sequence"]
