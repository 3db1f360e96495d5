"""Where a spindle is, which sheet holds for it, and what its counter says: every kind of these through HTTP."""

from datetime import datetime, timedelta

import pytest

from tests.domain.skerrow import mm
from tests.running import Json
from tests.story.every_kind import BEGUN, PLACE, SPINDLE, Story, reasons, recheck, sheet_of, standing, telling
from tests.story.loading import ago

ELSEWHERE = {"plant": "skerrow", "hall": "1", "machine": "H1-M02", "position": "2"}
BED_IN = {"code": "bed-in", "check": "setting", "after_cycles": 500, "since": "acceptance"}
MONTHLY = {"code": "look", "check": "visual", "after_days": 30, "since": "last_check", "repeat": True}
FORCE = {"code": "force", "check": "draw_force", "after_cycles": 50_000, "after_days": 90, "since": "last_check"}


def place_of(seen: Json) -> Json:
    return {name: seen[name] for name in PLACE}


def due_at(state: Json, code: str) -> datetime:
    return datetime.fromisoformat(recheck(state, code)["due_at"])


async def test_a_spindle_is_commissioned_with_what_is_said_to_have_been_done_before(database_url: str) -> None:
    done = {"time": ago(days=63).isoformat(), "count": 101_500, "stated_by": "h.d. planner"}
    baseline = {
        "rebuilt": {"time": ago(days=90).isoformat(), "stated_by": "h.d. planner"},
        "last_setting": {"time": ago(days=89).isoformat(), "count": 90_010, "stated_by": "k.m. fitter"},
        "last_draw_force": done,
    }
    async with telling(database_url, FORCE, MONTHLY, commissioned=False) as story:
        story.now = BEGUN
        receipt = await story.commission(baseline=baseline)
        counted_from = {"time": ago(days=63).isoformat().replace("+00:00", "Z"), "count": 101_500, "entry": 1}
        assert recheck(receipt["state"], "force")["since"] == counted_from
        assert recheck(receipt["state"], "force")["due_at_count"] == 151_500
        assert due_at(receipt["state"], "force") == ago(days=63) + timedelta(days=90)
        assert recheck(receipt["state"], "look")["since"]["count"] == 118_000, "no baseline speaks of it"
        assert (standing(receipt["state"]), reasons(receipt["state"])) == (
            ("function_check", "restricted"),
            ["never_proven"],
        ), "a baseline is counted from and is never proof"

        seen = await story.seen()
        assert (seen["serial"], seen["sheet"], seen["lifecycle"]) == ("SP-H2-M04-S1", "SKERROW-A", "installed")
        assert place_of(seen) == PLACE
        assert (seen["count"], seen["last_setting"], seen["clamping_set"]) == (118_000, None, None)
        kept = (await story.ledger.history())[0]["data"]["baseline"]["last_draw_force"]["stated_by"]
        assert kept == "h.d. planner"

        again = {"serial": "SP-2", "sheet": "SKERROW-A", "counter": {"start": 0}} | ELSEWHERE
        assert await story.refused("spindle.commissioned", again) == (409, "spindle_already_commissioned")
        there = {"serial": "SP-2", "sheet": "SKERROW-A", "counter": {"start": 0}} | PLACE
        assert await story.refused("spindle.commissioned", there, of="spindles/S-2") == (409, "place_taken")
        ahead = {"baseline": {"rebuilt": {"time": ago().isoformat()}}}
        assert await story.refused("spindle.commissioned", again | ahead, of="spindles/S-2") == (422, "baseline_ahead")


@pytest.mark.parametrize("to", ["store", "repair"])
async def test_a_spindle_away_frees_its_place_and_its_days_stand_still(database_url: str, to: str) -> None:
    async with telling(database_url, BED_IN, MONTHLY) as story:
        await story.measure()
        look_due = due_at(await story.seen(), "look")
        removed = await story.tell("spindle.removed", {"to": to, "reason": "taper fretted", "count": 118_040})
        left_at = story.now
        assert (standing(removed["state"]), reasons(removed["state"])) == ((None, "withheld"), [f"in_{to}"])
        assert (removed["state"]["lifecycle"], removed["state"]["count"]) == (to, 118_040)
        seen = await story.seen()
        assert place_of(seen) == {"plant": "skerrow", "hall": None, "machine": None, "position": None}
        assert await story.refused("spindle.removed", {"to": "store"}) == (422, "spindle_not_installed")

        await story.commission("H2-M04-S2")
        assert place_of(await story.seen("H2-M04-S2")) == PLACE, "the place is free for another"
        assert await story.refused("spindle.installed", PLACE) == (409, "place_taken")

        counter = {"start": 40, "modulus": 65_536, "cycles_per_count": 2}
        back_at = left_at + timedelta(days=1)
        installed = await story.tell("spindle.installed", ELSEWHERE | {"counter": counter}, at=back_at)
        assert due_at(installed["state"], "look") == look_due + (back_at - left_at)
        assert installed["state"]["count"] == 118_040, "another machine's counter adds nothing by itself"
        assert (standing(installed["state"]), reasons(installed["state"])) == (
            ("function_check", "withheld"),
            ["not_accepted"],
        )
        seen = await story.seen()
        assert (place_of(seen), seen["lifecycle"]) == (ELSEWHERE, "installed")
        assert (await story.count(50))["state"]["count"] == 118_060, "ten of its counts are twenty cycles"
        accepted = await story.measure()
        assert standing(accepted["state"]) == ("normal", "cleared")
        assert recheck(accepted["state"], "bed-in")["since"]["count"] == 118_060


async def test_another_machines_counter_wants_the_removal_on_record(database_url: str) -> None:
    async with telling(database_url) as story:
        moved = ELSEWHERE | {"counter": {"start": 40}}
        assert await story.refused("spindle.installed", moved) == (422, "spindle_still_installed")
        receipt = await story.tell("spindle.installed", ELSEWHERE)
        assert (receipt["state"]["lifecycle"], receipt["state"]["count"]) == ("installed", 118_000)
        assert place_of(await story.seen()) == ELSEWHERE
        await story.commission("H2-M04-S2")


async def test_scrap_retires_a_spindle(database_url: str) -> None:
    async with telling(database_url, MONTHLY) as story:
        receipt = await story.tell("spindle.removed", {"to": "scrap"})
        await assert_retired(story, receipt)


async def test_a_spindle_is_retired(database_url: str) -> None:
    async with telling(database_url, MONTHLY) as story:
        receipt = await story.tell("spindle.retired", {"reason": "taper beyond regrinding", "count": 118_009})
        assert receipt["state"]["count"] == 118_009
        await assert_retired(story, receipt)


async def assert_retired(story: Story, receipt: Json) -> None:
    assert (standing(receipt["state"]), reasons(receipt["state"])) == ((None, "withheld"), ["in_retired"])
    assert recheck(receipt["state"], "look")["state"] == "superseded"
    assert [each["recheck"] for each in receipt["closed"]] == ["look"]
    assert (await story.seen())["lifecycle"] == "retired"
    assert await story.refused("spindle.installed", ELSEWHERE) == (422, "spindle_retired")
    assert await story.refused("counter.read", {"count": 118_020}) == (422, "spindle_retired")
    await story.commission("H2-M04-S2")


async def test_another_sheet_proves_nothing_by_the_old_one(database_url: str) -> None:
    deeper = {"quantity": "depth", "nominal": mm("11.60"), "lower": mm("-0.05"), "upper": mm("0.05")}
    async with telling(database_url, BED_IN, MONTHLY) as story:
        await story.measure("11.60")
        assert standing(await story.seen()) == ("out_of_specification", "withheld")
        unknown = await story.refused("spindle.sheet_assigned", {"sheet": "SKERROW-B"})
        assert unknown == (422, "sheet_unknown")
        await story.tell("sheet.issued", sheet_of(FORCE, setting_depth=deeper), of="sheets/SKERROW-B")
        receipt = await story.tell("spindle.sheet_assigned", {"sheet": "SKERROW-B", "reason": "newer nose"})
        assert [each["recheck"] for each in receipt["opened"]] == ["force"]
        assert [(each["recheck"], each["state"]) for each in receipt["closed"]] == [("look", "superseded")]
        assert (standing(receipt["state"]), reasons(receipt["state"])) == (
            ("function_check", "restricted"),
            ["never_proven"],
        )
        seen = await story.seen()
        assert (seen["sheet"], seen["last_setting"]["stands"]) == ("SKERROW-B", False)
        assert standing((await story.measure("11.60"))["state"]) == ("normal", "cleared")


async def test_a_counter_that_falls_is_not_counted_until_its_replacement_explains_it(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure()
        assert (await story.count(118_711))["state"]["count"] == 118_711
        backward = await story.count(3)
        assert (backward["state"]["count"], reasons(backward["state"])) == (118_711, ["counter_backward"])
        assert standing(backward["state"]) == ("maintenance_required", "restricted")
        assert (await story.ledger.history())[-1]["data"] == {"count": 3}

        exchanged = {"old_end": 118_720, "new_start": 5, "modulus": 65_536, "reason": "control exchanged"}
        replaced = await story.tell("counter.replaced", exchanged)
        assert (replaced["state"]["count"], reasons(replaced["state"])) == (118_720, [])
        assert (await story.count(55))["state"]["count"] == 118_770
        seen = await story.seen(SPINDLE)
        assert (seen["count"], standing(seen)) == (118_770, ("normal", "cleared"))


async def test_what_a_counter_missed_is_added_and_it_is_read_on(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure()
        assert (await story.count(118_700))["state"]["count"] == 118_700
        missed = await story.tell("counter.missed", {"counts": 30, "reason": "unplugged over the weekend"})
        assert (missed["state"]["count"], missed["state"]["health"]) == (118_730, "normal")
        assert (await story.count(118_705))["state"]["count"] == 118_735
        entry = (await story.ledger.history())[-2]
        voided = {"target": {"source": entry["source"], "id": entry["id"]}, "reason": "it was counted"}
        assert (await story.tell("entry.voided", voided))["state"]["count"] == 118_705


async def test_a_counter_that_jumps_is_not_believed(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure()
        receipt = await story.count(999_999)
        assert (receipt["state"]["count"], reasons(receipt["state"])) == (118_000, ["counter_implausible"])


async def test_a_place_of_the_same_name_in_two_plants_is_ambiguous_to_a_bulk_reading(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.commission("E-M04-S1", plant="east")
        answer = await story.ledger.read_counters(story.now + timedelta(hours=1), {"H2-M04/1": 118_010})
        assert (answer["accepted"], answer["refused"]) == (0, 1)
        assert [(each["key"], each["problem"]["code"]) for each in answer["items"]] == [("H2-M04/1", "place_ambiguous")]
        assert [(await story.seen(key))["count"] for key in (SPINDLE, "E-M04-S1")] == [118_000, 118_000]
