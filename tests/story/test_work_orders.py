"""Work orders end to end: what falls due is ordered, planned by two systems at once, completed by what proves it."""

import json
from datetime import timedelta
from typing import Any

from service.rebuild import rebuild
from tests.domain.skerrow import mm
from tests.running import Json, running, select
from tests.story.every_kind import BEGUN, SPINDLE, Story, recheck, telling
from tests.story.loading import ago
from tests.story.ordering import BED_IN, System, acting, system
from tests.story.test_recall import found
from tests.story.test_time_passes import QUIET, shift_to

OTHER = "H2-M05-S1"


async def accept(story: Story) -> None:
    await story.rebuild()
    await story.prepare()
    await story.measure()


async def due(story: Story, count: int = 118_500) -> None:
    """The recheck after 500 cycles has fallen due."""
    await accept(story)
    await story.count(count)


async def told(story: Story) -> list[Json]:
    """What the notices of work orders said, in order."""
    sql = "SELECT body FROM kept.notice WHERE type = 'work_order.changed' ORDER BY notice"
    return [json.loads(row["body"])["data"]["work_order"] for row in await select(story.ledger.url, sql)]


async def assert_same_when_rebuilt(story: Story, one: System) -> None:
    """Nothing differs from the facts; derived away and made again, nothing is told anew."""
    before, notices = await one.listed(), await told(story)
    assert [each.differences async for each in rebuild(story.ledger.database)] == [()]
    gone = await select(story.ledger.url, "DELETE FROM derived.work_order RETURNING work_order")
    assert [each.put_right async for each in rebuild(story.ledger.database, write=True)] == [bool(gone)]
    assert [each.differences async for each in rebuild(story.ledger.database)] == [()]
    assert (await one.listed(), await told(story)) == (before, notices)


async def test_a_due_recheck_is_ordered_planned_and_completed_by_the_measurement(database_url: str) -> None:
    async with acting(database_url, BED_IN) as story:
        one = await system(story.ledger)
        assert await one.changes() == []
        await due(story)
        (order,) = await one.changes()
        assert (order["state"], order["proof"], order["cause"]) == ("released", "awaited", "recheck")
        assert (order["about"], order["spindle"], order["machine"]) == ("bed-in", SPINDLE, "H2-M04")
        assert (order["priority"], order["due_by"], order["due_by_count"]) == (4, None, 118_750)
        assert order["job"]["minutes"] == 20
        assert order["job"]["tools"] == [{"kind": "depth", "torque": None}]
        assert any("machine is safe" in caution for caution in order["cautions"])
        start = ago(minutes=-60 * 48).isoformat()
        planned = await one.plan(order["id"], state="ready", number="MO-1", assignee="k.m.", start=start)
        assert (planned["state"], planned["planning"]["assignee"]) == ("ready", "k.m.")
        await one.plan(order["id"], state="running")
        assert (await story.seen())["work_orders"] == [order["id"]]
        await story.measure()
        assert (await story.seen())["work_orders"] == []
        (done,) = await one.changes()
        assert (done["id"], done["state"], done["proof"]) == (order["id"], "completed", "given")
        assert (done["ended"]["entry"], done["ended"]["because"], done["ended"]["late"]) == (7, "proven", False)
        assert done["planning"]["number"] == "MO-1"
        assert await one.changes() == []
        states = [each["state"] for each in await told(story)]
        assert states == ["released", "ready", "running", "completed"]
        await assert_same_when_rebuilt(story, one)


async def test_overdue_is_the_same_order_with_another_priority(database_url: str) -> None:
    async with acting(database_url, BED_IN) as story:
        one = await system(story.ledger)
        await due(story)
        (order,) = await one.changes()
        await story.count(118_760)
        (overdue,) = await one.changes()
        assert (overdue["id"], overdue["priority"], overdue["reason"]) == (order["id"], 3, "recheck_overdue")
        await story.measure()
        (done,) = await one.changes()
        assert done["ended"]["late"]


async def test_two_systems_at_once_and_neither_undoes_the_other_unseen(database_url: str) -> None:
    async with acting(database_url, BED_IN) as story:
        one, other = await system(story.ledger), await system(story.ledger)
        await due(story)
        (order,) = await one.changes()
        name = order["id"]
        await one.read(name)
        await other.read(name)
        assert (await one.patch(name, {"state": "ready", "number": "A-1"})).status_code == 200
        stale = await other.patch(name, {"state": "ready", "number": "B-1"})
        assert (stale.status_code, stale.json()["code"]) == (412, "changed_meanwhile")
        assert (await other.read(name))["planning"]["number"] == "A-1"
        assert [each["planning"]["number"] for each in await one.changes()] == ["A-1"]
        assert [each["planning"]["number"] for each in await other.changes()] == ["A-1"]


async def test_a_change_whose_answer_was_lost_may_be_sent_again(database_url: str) -> None:
    async with acting(database_url, BED_IN) as story:
        one, other = await system(story.ledger), await system(story.ledger)
        await due(story)
        (order,) = await one.changes()
        name, wanted = order["id"], {"state": "running", "number": "A-1", "assignee": "k.m."}
        await one.read(name)
        lost = one.etags[name]
        first = await one.patch(name, wanted)
        again = await one.patch(name, wanted, etag=lost)
        assert (again.status_code, again.json(), again.headers["etag"]) == (200, first.json(), first.headers["etag"])
        assert len(await told(story)) == 2, "a change that is there already is none"
        await other.plan(name, note="seen")
        assert (await one.patch(name, wanted, etag=lost)).status_code == 200
        await other.plan(name, number="B-1")
        refused = await one.patch(name, wanted, etag=lost)
        assert (refused.status_code, refused.json()["code"]) == (412, "changed_meanwhile")


async def test_closed_outside_without_a_measurement_is_shown_without_proof_until_there_is_one(
    database_url: str,
) -> None:
    async with acting(database_url, BED_IN) as story:
        one = await system(story.ledger)
        await due(story)
        (order,) = await one.changes()
        closed = await one.plan(order["id"], state="closed")
        assert (closed["state"], closed["proof"], closed["ended"]) == ("closed", "missing", None)
        assert recheck(await story.seen(), "bed-in")["state"] == "due"
        await one.changes()
        await story.ledger.sweep()
        await story.measure(gauge="NOBODY")
        assert await one.changes() == [], "it does not open again, and what proves nothing proves nothing"
        assert [each["id"] for each in await one.listed(state="closed", open="true")] == [order["id"]]
        await story.measure()
        (proven,) = await one.changes()
        assert (proven["state"], proven["proof"]) == ("completed", "given_after_closing")
        await assert_same_when_rebuilt(story, one)


async def test_closing_what_is_proven_is_taken_and_working_on_it_is_not(database_url: str) -> None:
    async with acting(database_url, BED_IN) as story:
        one = await system(story.ledger)
        await due(story)
        (order,) = await one.changes()
        await story.measure()
        await one.read(order["id"])
        refused = await one.patch(order["id"], {"state": "running"})
        assert (refused.status_code, refused.json()["code"]) == (409, "work_order_ended")
        assert refused.json()["errors"][0]["pointer"] == "/planning/state"
        closed = await one.plan(order["id"], state="closed")
        assert (closed["state"], closed["proof"]) == ("completed", "given")


async def test_a_rebuild_while_an_order_is_open_cancels_it_and_what_follows_opens_its_own(database_url: str) -> None:
    async with acting(database_url, BED_IN) as story:
        one = await system(story.ledger)
        await due(story)
        (order,) = await one.changes()
        await one.plan(order["id"], state="running", number="A-1")
        await one.changes()
        await story.rebuild()
        (gone,) = await one.changes()
        assert (gone["id"], gone["state"], gone["proof"]) == (order["id"], "cancelled", "not_needed")
        assert (gone["ended"]["because"], gone["ended"]["entry"]) == ("superseded", 7)
        await story.prepare()
        await story.measure("11.50")
        (out,) = await one.changes()
        assert (out["cause"], out["priority"]) == ("setting", 2)
        await story.tell("nose.adjusted", {"turn": {"value": "24", "unit": "deg"}, "direction": "out"})
        await story.prepare()
        await story.measure()
        (right,) = await one.changes()
        assert (right["id"], right["state"]) == (out["id"], "completed")
        await story.count(119_200)
        (again,) = await one.changes()
        assert (again["cause"], again["state"]) == ("recheck", "released")
        assert again["id"] != order["id"]
        await assert_same_when_rebuilt(story, one)


async def amended(story: Story, receipt: Json, data: Json | None = None) -> None:
    (target,) = [sent for sent, answered in story.told if answered is receipt]
    named: dict[str, Any] = {"target": {"source": target["source"], "id": target["id"]}, "reason": "misread"}
    if data is None:
        await story.tell("entry.voided", named)
    else:
        await story.tell("entry.corrected", named | {"data": target["data"] | data})


async def test_a_correction_that_undoes_the_cause_withdraws_the_order(database_url: str) -> None:
    async with acting(database_url) as story:
        one = await system(story.ledger)
        misread = await story.measure("11.50")
        (order,) = await one.changes()
        await one.plan(order["id"], state="running", number="A-1")
        await one.changes()
        readings = [{"angle": {"value": a, "unit": "deg"}, "depth": mm("11.40")} for a in ("0", "180")]
        await amended(story, misread, {"readings": readings})
        (gone,) = await one.changes()
        assert (gone["id"], gone["state"], gone["planning"]["number"]) == (order["id"], "cancelled", "A-1")
        assert (gone["ended"]["because"], gone["ended"]["entry"]) == ("withdrawn", 3)
        await story.measure()
        assert await one.changes() == []
        await assert_same_when_rebuilt(story, one)


async def test_a_proof_that_is_taken_back_opens_the_same_order_again(database_url: str) -> None:
    async with acting(database_url) as story:
        one = await system(story.ledger)
        await story.measure("11.50")
        (order,) = await one.changes()
        wrong = await story.measure("11.40")
        await one.changes()
        await amended(story, wrong)
        (again,) = await one.changes()
        assert (again["id"], again["state"], again["ended"]) == (order["id"], "released", None)
        await assert_same_when_rebuilt(story, one)


async def test_a_gauge_recall_orders_a_check_on_every_spindle_in_doubt(database_url: str) -> None:
    async with acting(database_url) as story:
        one = await system(story.ledger)
        keys = [f"H2-M{number:02}-S1" for number in range(5, 15)]
        for key in keys:
            await story.commission(key, machine=key.removesuffix("-S1"))
            readings = [{"angle": {"value": a, "unit": "deg"}, "depth": mm("11.44")} for a in ("0", "180")]
            data = {"readings": readings, "gauge": "DG-03", "gauge_zeroed": True, "draw_bar": "released"}
            await story.tell("setting.measured", data, of=f"spindles/{key}")
        assert await one.changes() == []
        await story.tell("gauge.calibrated", found("-0.02"), of="gauges/DG-03")
        await story.ledger.sweep()
        orders = await one.changes()
        assert sorted(each["spindle"] for each in orders) == keys
        assert {(each["cause"], each["check"], each["priority"]) for each in orders} == {
            ("gauge_suspect", "setting", 3)
        }
        await story.ledger.sweep()
        assert await one.changes() == []
        (calibrated,) = [receipt for sent, receipt in story.told if sent["data"].get("as_found")]
        (target,) = [sent for sent, receipt in story.told if receipt is calibrated]
        named = {"target": {"source": target["source"], "id": target["id"]}, "reason": "another gauge's certificate"}
        await story.tell("entry.voided", named, of="gauges/DG-03")
        await story.ledger.sweep()
        gone = await one.changes()
        assert {(each["state"], each["ended"]["because"]) for each in gone} == {("cancelled", "withdrawn")}
        assert {each["ended"]["by"] for each in gone} == {"gauges/DG-03#4"}


async def test_history_brings_no_orders_for_what_was_done_long_ago(database_url: str) -> None:
    """A year comes in at once: rechecks due and done, settings out and put right, and one thing still to do."""
    quarterly = {"code": "quarter", "check": "setting", "after_days": 60, "since": "last_check", "repeat": True}
    async with telling(database_url, quarterly, commissioned=False, since_days=400, kept=False) as story:
        one = await system(story.ledger)
        story.now = ago(days=300)
        await story.commission()
        for days, depth in ((230, "11.40"), (160, "11.50"), (159, "11.40"), (90, "11.40")):
            story.now = ago(days=days)
            await story.measure(depth)
        await story.ledger.sweep()
        assert await one.changes() == [], "its history may still be arriving"
        async with running(database_url, clock_shift=QUIET) as later:
            await later.sweep()
            orders = await (await system(later)).changes()
        (order,) = orders
        assert (order["about"], order["reason"]) == ("quarter", "recheck_overdue")
        assert [each["state"] for each in await told(story)] == ["released"]


async def test_what_was_told_is_kept_up_to_date_by_history_at_once(database_url: str) -> None:
    async with acting(database_url, BED_IN, kept=False) as story:
        one = await system(story.ledger)
        await due(story)
        (order,) = await one.changes()
        out = await story.tell("condition.noted", {"component": "nose", "code": "x", "unusable": True})
        assert len(await one.changes()) == 1
        await amended(story, out)
        assert [each["ended"]["because"] for each in await one.changes()] == ["withdrawn"]
        assert (await one.read(order["id"]))["state"] == "released"


async def test_an_order_that_time_opened_is_withdrawn_by_a_check_from_before_that_arrives_late(
    database_url: str,
) -> None:
    """The tablet was away from the net for a day: the check was made before it fell due."""
    daily = {"code": "look", "check": "visual", "after_days": 2, "early_days": 1, "since": "last_check"}
    async with acting(database_url, daily) as story:
        one = await system(story.ledger)
        await story.tell("clamp.exercised", {"cycles": 1})
        (order,) = await one.changes()
        await story.tell("visual.checked", {}, at=BEGUN + timedelta(days=1.5))
        (gone,) = await one.changes()
        assert (gone["id"], gone["ended"]["because"], gone["ended"]["entry"]) == (order["id"], "withdrawn", 3)
        await assert_same_when_rebuilt(story, one)


async def test_time_alone_opens_an_order_and_makes_it_urgent_and_each_is_told_once(database_url: str) -> None:
    """Restarts with the clock moved on, each swept twice."""
    monthly = {"code": "look", "check": "visual", "after_days": 30, "since": "commissioning", "grace_days": 10}
    async with acting(database_url, monthly, kept=False) as story:
        await story.tell("clamp.exercised", {"cycles": 1})
        first = await system(story.ledger)
        expected = [(29, None), (31, ("recheck_due", 4)), (39, ("recheck_due", 4)), (41, ("recheck_overdue", 3))]
        names = set()
        for days, state in expected:
            at = BEGUN + timedelta(days=days)
            async with running(database_url, clock_shift=shift_to(at)) as later:
                await later.sweep()
                assert await later.sweep() == 0
            found = await first.listed(cause="recheck")
            names |= {each["id"] for each in found}
            assert [(each["reason"], each["priority"]) for each in found] == ([] if state is None else [state])
        (order,) = found
        assert (order["opened"]["time"], order["due_by"]) == (in_utc(30), in_utc(40))
        assert len(names) == 1
        assert [each["reason"] for each in await told(story)] == ["recheck_due", "recheck_overdue"]
        await assert_same_when_rebuilt(story, first)


def in_utc(days: float) -> str:
    return (BEGUN + timedelta(days=days)).isoformat().replace("+00:00", "Z")
