"""Corrections and voids through HTTP: what was wrong is put right, everything that followed from it follows again."""

from datetime import timedelta
from typing import Any

import pytest

from service.rebuild import rebuild
from tests.domain import skerrow
from tests.domain.skerrow import mm, q
from tests.running import Json
from tests.story.every_kind import PLACE, SPINDLE, Story, reasons, recheck, sheet_of, standing, telling
from tests.story.loading import ENDED, ago

BED_IN = {"code": "bed-in", "check": "setting", "after_cycles": 500, "since": "acceptance", "early_cycles": 50}


def target(story: Story, back: int = 1) -> Json:
    """The identity of what was told `back` facts ago."""
    sent, _ = story.told[-back]
    return {"source": sent["source"], "id": sent["id"]}


def depths(depth: str, **data: Any) -> Json:
    readings = [{"angle": q(angle, "deg"), "depth": mm(depth)} for angle in ("0", "180")]
    return {"readings": readings, "gauge": "DG-03", "gauge_zeroed": True, "draw_bar": "released"} | data


async def correct(story: Story, named: Json, data: Json, **changes: Any) -> Json:
    said = {"target": named, "data": data, "reason": "misread", **changes}
    return await story.tell("entry.corrected", said, actor="r.t. engineer")


async def void(story: Story, named: Json) -> Json:
    return await story.tell("entry.voided", {"target": named, "reason": "another spindle"}, actor="r.t. engineer")


async def test_a_corrected_reading_is_judged_again_and_the_spindle_with_it(database_url: str) -> None:
    async with telling(database_url) as story:
        assert (await story.measure("11.52"))["verdict"]["outcome"] == "nonconforming"
        wrong = target(story)
        receipt = await correct(story, wrong, depths("11.42"))
        assert receipt["verdict"]["outcome"] == "conforming"
        assert receipt["verdict"]["mean"] == mm("11.42")
        assert standing(receipt["state"]) == standing(await story.seen()) == ("normal", "cleared")
        measured = (await story.read(f"/v1/spindles/{SPINDLE}/measurements"))["items"]
        assert [(each["entry"], each["outcome"]) for each in measured] == [(2, "conforming")]


async def test_the_last_correction_stands_and_voiding_it_brings_back_the_one_before(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.52")
        measurement = target(story)
        await correct(story, measurement, depths("11.43"))
        first = target(story)
        twice = await correct(story, first, depths("11.41"))
        assert twice["verdict"]["mean"] == mm("11.41")
        second = target(story)
        undone = await void(story, second)
        assert undone["verdict"]["mean"] == mm("11.43")
        restored = await void(story, target(story))
        assert restored["verdict"]["mean"] == mm("11.41")
        assert (await void(story, first))["verdict"]["mean"] == mm("11.52")


async def test_a_voided_rebuild_never_happened_and_a_voided_void_brings_it_back(database_url: str) -> None:
    async with telling(database_url, BED_IN) as story:
        await story.measure("11.40")
        assert standing((await story.rebuild())["state"]) == ("function_check", "withheld")
        rebuild = target(story)
        await story.prepare()
        open_job = await story.seen()
        receipt = await void(story, rebuild)
        assert receipt["verdict"] is None
        without = await story.seen()
        assert without["clamping_set"] is None
        assert "rebuild_incomplete" not in reasons(without)
        await void(story, target(story))
        again = await story.seen()
        for moved in ("sequence", "settled_at", "rechecks"):
            open_job.pop(moved)
            again.pop(moved)
        assert again == open_job


async def accepted(story: Story) -> None:
    await story.rebuild()
    await story.prepare()
    receipt = await story.measure("11.40")
    assert standing(receipt["state"]) == ("normal", "cleared")


async def test_a_count_that_was_typed_wrong_takes_back_the_recheck_that_it_made_due(database_url: str) -> None:
    async with telling(database_url, BED_IN) as story:
        await accepted(story)
        start = (await story.seen())["count"]
        await story.count(start + 300)
        due = await story.count(start + 520)
        assert recheck(due["state"], "bed-in")["state"] == "overdue"
        wrong = target(story)
        await story.measure("11.41")
        receipt = await correct(story, wrong, {"count": start + 420})
        assert receipt["state"]["count"] == start + 420
        assert recheck(receipt["state"], "bed-in")["state"] == "waiting"
        assert (await story.count(start + 430))["state"]["health"] == "normal"
        crossed = await story.count(start + 510)
        assert recheck(crossed["state"], "bed-in")["state"] == "overdue"


async def test_counts_that_a_wrong_one_made_look_backward_count_again(database_url: str) -> None:
    async with telling(database_url, BED_IN) as story:
        await accepted(story)
        start = (await story.seen())["count"]
        await story.count(start + 1_900)
        wrong = target(story)
        flagged = await story.count(start + 120)
        assert "counter_backward" in reasons(flagged["state"])
        receipt = await correct(story, wrong, {"count": start + 100})
        assert receipt["state"]["count"] == start + 120
        assert standing(receipt["state"]) == ("normal", "cleared")


async def test_a_reading_sent_in_bulk_is_corrected_and_voided_by_its_source_and_time(database_url: str) -> None:
    async with telling(database_url, BED_IN) as story:
        await accepted(story)
        start = (await story.seen())["count"]
        first, second = story.now + timedelta(hours=1), story.now + timedelta(hours=2)
        assert (await story.push(start + 100, first))["accepted"] == 1
        assert (await story.push(start + 390, second))["accepted"] == 1
        pushed = (await story.ledger.history(SPINDLE))[-1]
        wrong = {"source": pushed["source"], "id": pushed["id"]}
        receipt = await correct(story, wrong, {"count": start + 190})
        assert receipt["state"]["count"] == (await story.seen())["count"] == start + 190
        assert (await story.push(start + 390, second))["duplicate"] == 1
        await void(story, wrong)
        assert (await story.seen())["count"] == start + 100
        assert (await story.push(start + 150, second + timedelta(hours=1)))["accepted"] == 1
        assert (await story.seen())["count"] == start + 150


async def test_a_measurement_entered_under_the_wrong_time_moves_to_where_it_happened(database_url: str) -> None:
    async with telling(database_url) as story:
        early = await story.measure("11.40")
        assert early["verdict"]["admissible"]
        named = target(story)
        await story.rebuild()
        await story.prepare()
        after = story.now + timedelta(minutes=1)
        story.now = after
        receipt = await correct(story, named, depths("11.40"), time=after.isoformat())
        assert standing(receipt["state"]) == ("normal", "cleared")
        assert (await story.seen())["last_setting"]["time"] == after.isoformat().replace("+00:00", "Z")


async def test_a_corrected_sheet_and_a_voided_calibration_reach_the_spindles_they_judge(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.47")
        assert standing(await story.seen()) == ("out_of_specification", "withheld")
        sheet, calibration = story.told[0][0], story.told[2][0]
        wider = {"quantity": "depth", "nominal": mm("11.40"), "lower": mm("-0.10"), "upper": mm("0.10")}
        said = {
            "target": {"source": sheet["source"], "id": sheet["id"]},
            "data": sheet_of(setting_depth=wider),
            "reason": "a slip in the limits",
        }
        await story.tell("entry.corrected", said, of="sheets/SKERROW-A")
        await story.ledger.sweep()
        assert standing(await story.seen()) == ("normal", "cleared")
        gone = {"target": {"source": calibration["source"], "id": calibration["id"]}, "reason": "another gauge's"}
        await story.tell("entry.voided", gone, of="gauges/DG-03")
        await story.ledger.sweep()
        assert (await story.seen())["last_setting"]["verdict"]["reasons"] == ["gauge_overdue"]


BAD: dict[str, tuple[Json, tuple[int, str, str]]] = {
    "an entry that is not there": ({"target": {"source": "/x", "id": "y"}}, (422, "target_unknown", "/data/target")),
    "another subject's entry": ({"target": "sheet"}, (422, "target_of_other_subject", "/data/target")),
    "another type's data": (
        {"data": {"torque": q("37", "N.m"), "how": "set"}},
        (422, "event_invalid", "/data/data/torque"),
    ),
    "a quantity that is none": (
        {"data": depths("11.4O")},
        (422, "event_invalid", "/data/data/readings/0/depth/value"),
    ),
    "a count against the modulus": ({"data": depths("11.40", count=-1)}, (422, "event_invalid", "/data/data/count")),
    "a time to come": ({"time": "2999-01-01T00:00:00Z"}, (422, "time_in_future", "/data/time")),
    "a time before all": ({"time": "1969-01-01T00:00:00Z"}, (422, "event_invalid", "/data/time")),
    "a member that is none": ({"type": "nose.torqued"}, (422, "event_invalid", "/data/type")),
    "no reason": ({"reason": ""}, (422, "event_invalid", "/data/reason")),
}


@pytest.mark.parametrize("what", BAD)
async def test_a_correction_that_cannot_be_is_refused_by_its_place_and_nothing_is_kept(
    database_url: str, what: str
) -> None:
    changes, (status, code, pointer) = BAD[what]
    async with telling(database_url) as story:
        await story.measure("11.40")
        said = {"target": target(story), "data": depths("11.41"), "reason": "misread"} | changes
        if said["target"] == "sheet":
            said["target"] = {"source": story.told[0][0]["source"], "id": story.told[0][0]["id"]}
        before = await story.seen()
        answer = await story.ledger.send(story.sent("entry.corrected", said, f"spindles/{SPINDLE}", None, {}))
        assert (answer.status_code, answer.json()["code"]) == (status, code), answer.text
        assert answer.json()["errors"][0]["pointer"] == pointer
        assert await story.seen() == before


async def test_what_cannot_be_taken_out_is_refused(database_url: str) -> None:
    async with telling(database_url) as story:
        commissioned = target(story)
        whole = {"target": commissioned, "reason": "wrong"}
        assert await story.refused("entry.voided", whole) == (422, "nothing_left")
        sheet = {"target": {name: story.told[0][0][name] for name in ("source", "id")}, "reason": "wrong"}
        assert await story.refused("entry.voided", sheet, of="sheets/SKERROW-A") == (422, "nothing_left")
        itself = {"target": {"source": "/skerrow/tablet", "id": "me"}, "reason": "wrong"}
        refused = await story.refused("entry.voided", itself, source="/skerrow/tablet", id="me")
        assert refused == (422, "target_is_itself")
        await story.measure("11.40")
        await void(story, target(story))
        late = {"target": target(story), "data": {"reason": "right"}, "reason": "wrong"}
        assert await story.refused("entry.corrected", late) == (422, "target_not_correctable")


async def test_a_concession_is_not_approved_by_who_takes_it_or_puts_it_right(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.47")
        leave = {"check": "setting", "until_count": 200_000, "reason": "roughing", "approved_by": "q.e. quality"}
        await story.tell("concession.granted", leave, actor="k.m. fitter")
        named = target(story)
        for person in ("k.m. fitter", "r.t. engineer"):
            said = {"target": named, "data": leave | {"approved_by": person}, "reason": "who it was"}
            answer = await story.ledger.send(
                story.sent("entry.corrected", said, f"spindles/{SPINDLE}", None, {"actor": "r.t. engineer"})
            )
            assert answer.json()["errors"][0]["code"] == "approved_by_the_actor", answer.text
        await correct(story, named, leave | {"until_count": 150_000})


async def test_the_same_correction_sent_again_is_answered_as_it_was(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.52")
        first = await correct(story, target(story), depths("11.42"))
        again = await story.ledger.record(story.told[-1][0])
        assert again["status"] == "duplicate"
        assert (again["entry"], again["verdict"]) == (first["entry"], first["verdict"])
        measured = await story.ledger.record(story.told[-2][0])
        assert measured["verdict"]["mean"] == mm("11.42"), "as now known"


async def test_a_corrected_gauge_time_or_lot_is_where_a_recall_looks_for_it(database_url: str) -> None:
    async with telling(database_url) as story:
        now = story.now
        for key in ("DG-77", "DG-78"):
            await story.tell("gauge.registered", skerrow.GAUGE, of=f"gauges/{key}", at=ago(days=20))
            calibrated = skerrow.CALIBRATION | {"due": (ENDED + timedelta(days=90)).date().isoformat()}
            await story.tell("gauge.calibrated", calibrated, of=f"gauges/{key}", at=ago(days=19))
        for lot in ("L-1", "L-2"):
            await story.tell("lot.received", {"sheet": "SKERROW-A", "quantity": 2}, of=f"lots/{lot}", at=ago(days=18))
        story.now = now
        await story.rebuild(lot="L-1")
        whole = {"segments_seated": 6, "o_ring_fitted": True, "reason": "worn", "lot": "L-2"}
        await correct(story, target(story), whole)
        await story.prepare()
        await story.measure("11.44", gauge="DG-77")
        measured = target(story)
        later = (story.now + timedelta(seconds=30)).isoformat().replace("+00:00", "Z")
        await correct(story, measured, depths("11.44", gauge="DG-78"), time=later)
        assert (await story.read("/v1/gauges/DG-77/reach"))["items"] == []
        (used,) = (await story.read("/v1/gauges/DG-78/reach"))["items"]
        assert used["time"] == later
        assert [len((await story.read(f"/v1/lots/{lot}/reach"))["items"]) for lot in ("L-1", "L-2")] == [0, 1]
        out = skerrow.CALIBRATION | {"as_found": mm("-0.02"), "due": (ENDED + timedelta(days=90)).date().isoformat()}
        await story.tell("gauge.calibrated", out, of="gauges/DG-78")
        await story.ledger.sweep()
        assert reasons(await story.seen()) == ["undecided"]
        await story.tell("lot.withdrawn", {"reason": "hardness"}, of="lots/L-2")
        await story.ledger.sweep()
        assert "lot_withdrawn" in reasons(await story.seen())
        looked = [each async for each in rebuild(story.ledger.database)]
        assert [each.differences for each in looked if each.differences] == []


async def test_a_wrong_correction_that_is_voided_leaves_nothing_behind(database_url: str) -> None:
    async with telling(database_url, BED_IN) as story:
        await accepted(story)
        start = (await story.seen())["count"]
        await story.count(start + 100)
        right = target(story)
        await correct(story, right, {"count": start + 400})
        wrong = target(story)
        for more in (110, 120, 130):
            await story.count(start + more)
        assert "counter_backward" in reasons(await story.seen())
        await void(story, wrong)
        seen = await story.seen()
        assert (seen["count"], standing(seen)) == (start + 130, ("normal", "cleared"))
        assert (await story.count(start + 160))["state"]["count"] == start + 160


async def test_a_count_after_a_wrong_correction_is_judged_then_and_later_alike(database_url: str) -> None:
    async with telling(database_url, BED_IN) as story:
        await accepted(story)
        start = (await story.seen())["count"]
        await story.count(start + 100)
        await correct(story, target(story), {"count": start + 400})
        await story.count(start + 120)
        served = await story.seen()
        looked = [each async for each in rebuild(story.ledger.database)]
        assert [each.differences for each in looked if each.differences] == []
        assert "counter_backward" in reasons(served)


async def test_a_late_count_is_judged_by_what_stands(database_url: str) -> None:
    async with telling(database_url, BED_IN) as story:
        await accepted(story)
        start, begun = (await story.seen())["count"], story.now
        await story.count(start + 50, at=begun + timedelta(hours=10))
        await correct(story, target(story), {"count": start + 500})
        late = await story.count(start + 400, at=begun + timedelta(hours=5))
        assert late["state"]["count"] == start + 400
        assert "counter_implausible" not in reasons(await story.seen())


async def test_a_move_that_would_make_no_sense_any_more_is_named(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.tell("spindle.removed", {"to": "store"})
        removed = target(story)
        await story.tell("spindle.installed", PLACE | {"machine": "H2-M07", "counter": {"start": 5000}})
        refused = await story.refused("entry.voided", {"target": removed, "reason": "it stayed"})
        assert refused == (422, "history_contradicted")
        await void(story, target(story))
        await void(story, removed)
        assert (await story.seen())["machine"] == PLACE["machine"]
        gone = await void(story, removed)
        assert [each["code"] for each in gone["findings"]] == ["target_stands_no_more"]


async def test_what_becomes_true_again_is_told_again_and_what_is_taken_back_is_told_too(database_url: str) -> None:
    async with telling(database_url, BED_IN) as story:
        story.now = ENDED
        await accepted(story)
        story.ledger.database.clock_shift = timedelta(seconds=20)
        await story.ledger.sweep()
        start = (await story.seen())["count"]
        await story.count(start + 520)
        count = target(story)
        await correct(story, count, {"count": start + 420})
        assert (await story.ledger.notices("recheck.overdue", "recheck.superseded"))[-2:] == [
            "recheck.overdue",
            "recheck.superseded",
        ]
        await void(story, target(story))
        assert await story.ledger.notices("recheck.overdue") == ["recheck.overdue"] * 2


async def test_leave_for_one_depth_is_no_leave_for_what_it_is_corrected_to(database_url: str) -> None:
    leave = {"check": "setting", "until_count": 200_000, "reason": "roughing", "approved_by": "q.e. quality"}
    async with telling(database_url) as story:
        await story.measure("11.47")
        measured = target(story)
        await story.tell("concession.granted", leave, actor="k.m. fitter")
        assert standing(await story.seen()) == ("out_of_specification", "restricted")
        await correct(story, measured, depths("11.90"))
        assert standing(await story.seen()) == ("out_of_specification", "withheld")
        await story.tell("concession.granted", leave, actor="k.m. fitter")
        assert standing(await story.seen()) == ("out_of_specification", "restricted")
        looked = [each async for each in rebuild(story.ledger.database)]
        assert [each.differences for each in looked if each.differences] == []
