"""Looks, grease, conditions, deferrals and concessions: every kind of these through HTTP."""

from datetime import timedelta
from typing import Any

import pytest

from tests.domain.skerrow import mm
from tests.running import Json
from tests.story.every_kind import BEGUN, reasons, recheck, standing, telling

LOOK = {
    "code": "look",
    "check": "visual",
    "after_cycles": 100,
    "since": "last_check",
    "repeat": True,
    "early_cycles": 20,
    "grace_cycles": 50,
}
GREASE = LOOK | {"code": "grease", "check": "grease"}
AFTER_CRASH = {
    "code": "after-crash",
    "check": "run_out",
    "after_cycles": 10,
    "since": "condition",
    "codes": ["crash", "chatter"],
}
SEEN: Json = {"component": "taper bore", "code": "crash", "scheme": "skerrow-2024"}


@pytest.mark.parametrize(
    ("event_type", "code", "data"),
    [
        ("visual.checked", "look", {"findings": ["o-ring dry", "one segment polished"]}),
        ("visual.checked", "look", {"findings": "nothing to report"}),
        ("visual.checked", "look", {}),
        ("clamping_set.greased", "grease", {"grease": "invented paste no. 4"}),
    ],
)
async def test_a_check_that_measures_nothing_satisfies_its_own_recheck(
    database_url: str, event_type: str, code: str, data: dict[str, Any]
) -> None:
    async with telling(database_url, LOOK, GREASE) as story:
        await story.measure()
        due = await story.count(118_100)
        assert [each["recheck"] for each in due["opened"]] == ["look", "grease"]
        receipt = await story.tell(event_type, data | {"count": 118_101})
        (closed,) = receipt["closed"]
        assert (closed["recheck"], closed["state"], closed["late"]) == (code, "satisfied", False)
        assert closed["closed"]["entry"] == receipt["entry"]["sequence"]
        assert [(each["recheck"], each["due_at_count"]) for each in receipt["opened"]] == [(code, 118_201)]
        assert receipt["verdict"] is None
        (other,) = [each for each in receipt["state"]["rechecks"] if each["state"] == "due"]
        assert other["recheck"] != code
        assert reasons(receipt["state"]) == ["recheck_due"]
        assert recheck(await story.seen(), code)["due_at_count"] == 118_201


async def test_a_condition_withholds_a_spindle_until_it_is_resolved(database_url: str) -> None:
    async with telling(database_url, AFTER_CRASH) as story:
        await story.measure()
        noted = await story.tell("condition.noted", SEEN | {"text": "tool left the taper", "unusable": True})
        assert (standing(noted["state"]), reasons(noted["state"])) == (("failure", "withheld"), ["unusable"])
        assert [(each["recheck"], each["state"]) for each in noted["opened"]] == [("after-crash", "waiting")]
        assert recheck(noted["state"], "after-crash")["due_at_count"] == 118_010
        (open_now,) = (await story.seen())["conditions"]
        assert (open_now["component"], open_now["code"], open_now["unusable"]) == ("taper bore", "crash", True)
        assert open_now["entry"] == noted["entry"]["sequence"]

        other = {name: value for name, value in SEEN.items() if name != "scheme"}
        unknown = await story.refused("condition.resolved", other | {"done": "cleaned"})
        assert unknown == (422, "condition_unknown"), "a code means something in its scheme only"
        resolved = await story.tell("condition.resolved", SEEN | {"done": "bore blued, contact even"})
        assert (standing(resolved["state"]), (await story.seen())["conditions"]) == (("normal", "cleared"), [])
        assert recheck(resolved["state"], "after-crash")["state"] == "waiting", "the check is still wanted"


async def test_a_condition_of_another_code_begins_nothing(database_url: str) -> None:
    async with telling(database_url, AFTER_CRASH) as story:
        await story.measure()
        noted = await story.tell("condition.noted", {"component": "nose", "code": "scratch"})
        assert (noted["opened"], standing(noted["state"])) == ([], ("normal", "cleared"))
        await story.tell("condition.noted", {"component": "nose", "code": "chatter"})
        again = await story.tell("condition.noted", {"component": "drawbar", "code": "crash"})
        assert again["opened"] == [], "it is running already"
        assert len((await story.seen())["conditions"]) == 3


async def test_a_recheck_is_put_off_until_a_count(database_url: str) -> None:
    off: dict[str, Any] = {"recheck": "look", "reason": "series runs until Friday", "approved_by": "h.d. planner"}
    async with telling(database_url, LOOK) as story:
        await story.measure()
        await story.count(118_100)
        assert await story.refused("recheck.deferred", off) == (422, "event_invalid")
        own = off | {"until_count": 118_130, "approved_by": "k.m. fitter"}
        assert await story.refused("recheck.deferred", own) == (422, "event_invalid")
        unknown = off | {"until_count": 118_130, "recheck": "grease"}
        assert await story.refused("recheck.deferred", unknown) == (422, "recheck_unknown")
        passed = off | {"until_count": 118_100}
        assert await story.refused("recheck.deferred", passed) == (422, "until_passed")

        receipt = await story.tell("recheck.deferred", off | {"until_count": 118_130})
        assert (standing(receipt["state"]), reasons(receipt["state"])) == (
            ("maintenance_required", "restricted"),
            ["recheck_deferred"],
        )
        shown = recheck(await story.seen(), "look")
        assert (shown["state"], shown["deferred_until_count"]) == ("deferred", 118_130)
        history = await story.ledger.history()
        assert history[-1]["data"]["approved_by"] == "h.d. planner"
        assert recheck((await story.count(118_129))["state"], "look")["state"] == "deferred"
        lapsed = await story.count(118_130)
        assert (recheck(lapsed["state"], "look")["state"], reasons(lapsed["state"])) == ("overdue", ["recheck_overdue"])
        late = await story.tell("visual.checked", {})
        assert [(each["state"], each["late"]) for each in late["closed"]] == [("satisfied", True)]


async def test_a_recheck_is_put_off_until_a_time(database_url: str) -> None:
    async with telling(database_url, LOOK) as story:
        await story.measure()
        until = BEGUN + timedelta(days=2)
        await story.count(118_100)
        off = {"recheck": "look", "until": until.isoformat(), "reason": "no fitter", "approved_by": "h.d. planner"}
        receipt = await story.tell("recheck.deferred", off)
        assert recheck(receipt["state"], "look")["deferred_until"] == until.isoformat().replace("+00:00", "Z")
        seen = await story.seen()
        assert (recheck(seen, "look")["state"], reasons(seen)) == ("overdue", ["recheck_overdue"]), "it lapsed since"


async def test_a_concession_lets_a_spindle_run_outside_until_a_count(database_url: str) -> None:
    leave = {"check": "setting", "reason": "roughing only", "approved_by": "r.t. engineer"}
    async with telling(database_url) as story:
        assert standing((await story.measure("11.46"))["state"]) == ("out_of_specification", "withheld")
        own = leave | {"until_count": 118_130, "approved_by": "k.m. fitter"}
        assert await story.refused("concession.granted", own) == (422, "event_invalid")
        granted = await story.tell("concession.granted", leave | {"until_count": 118_130, "count": 118_010})
        assert (standing(granted["state"]), reasons(granted["state"])) == (
            ("out_of_specification", "restricted"),
            ["setting_nonconforming"],
        )
        assert (await story.ledger.history())[-1]["data"]["approved_by"] == "r.t. engineer"
        clearance = await story.read("/v1/spindles/H2-M04-S1/clearance")
        assert (clearance["clearance"], clearance["count"]) == ("restricted", 118_010)
        assert (await story.count(118_129))["state"]["clearance"] == "restricted"
        assert (await story.count(118_130))["state"]["clearance"] == "withheld"
        assert standing((await story.measure("11.45"))["state"]) == ("normal", "cleared")


async def test_a_concession_lapses_at_its_time(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.46")
        until = BEGUN + timedelta(days=2)
        leave = {"until": until.isoformat(), "reason": "roughing only", "approved_by": "r.t. engineer"}
        receipt = await story.tell("concession.granted", leave)
        assert receipt["state"]["clearance"] == "restricted"
        assert (await story.seen())["clearance"] == "withheld", "it lapsed since"
        assert mm("11.46") == (await story.seen())["last_setting"]["verdict"]["mean"]
