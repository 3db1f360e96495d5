"""A gauge comes back from calibration out: what it judged is judged again, and the plant is told once."""

import json
from datetime import timedelta
from typing import Any

from tests.domain.skerrow import mm, q
from tests.running import Json, select
from tests.story.every_kind import PLACE, SPINDLE, Story, reasons, recheck, sheet_of, standing, telling
from tests.story.loading import ENDED, ago

OTHER = "H2-M05-S1"
DUE = (ENDED + timedelta(days=300)).date().isoformat()


def found(error: str, unit: str = "mm", **changes: Any) -> Json:
    """A calibration that found the gauge with this error."""
    certificate = {"expanded_uncertainty": q("0.006", unit), "k": "2", "as_found": q(error, unit), "due": DUE}
    return certificate | changes


async def earlier(story: Story, event_type: str, data: Json, of: str, days: float) -> None:
    """Something that was entered when it happened, before the spindle's own story."""
    now = story.now
    await story.tell(event_type, data, of=of, at=ago(days=days))
    story.now = now


async def recalled(story: Story, error: str, *, of: str = "gauges/DG-03", **changes: Any) -> None:
    await story.tell("gauge.calibrated", found(error, **changes), of=of)
    await story.ledger.sweep()


async def notices(story: Story, notice_type: str) -> list[Json]:
    rows = await select(story.ledger.url, "SELECT body FROM kept.notice WHERE type = $1 ORDER BY notice", notice_type)
    return [json.loads(row["body"]) for row in rows]


async def test_a_gauge_found_out_leaves_undecided_what_its_error_would_change(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.44")
        assert standing(await story.seen()) == ("normal", "cleared")
        await recalled(story, "-0.02")
        seen = await story.seen()
        assert (standing(seen), reasons(seen)) == (("function_check", "restricted"), ["undecided"])
        verdict = seen["last_setting"]["verdict"]
        assert verdict["outcome"] == "undecided"
        assert verdict["recall"]["value"] == mm("11.46")
        assert (verdict["recall"]["without"], verdict["recall"]["with_error"]) == ("conforming", "nonconforming")
        assert recheck(seen, "recall-check")["state"] == "open"
        (told,) = await notices(story, "gauge.suspect")
        assert told["data"]["in_doubt"] == told["data"]["judged_again"] == 1
        (spindle,) = told["data"]["spindles"]
        assert (spindle["spindle"], spindle["health"], spindle["clearance"]) == (
            SPINDLE,
            "function_check",
            "restricted",
        )
        assert spindle["changed"][0]["was"] == "conforming"
        await story.ledger.sweep()
        assert len(await notices(story, "gauge.suspect")) == 1


async def test_a_measurement_with_a_good_gauge_answers_the_doubt(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.44")
        await recalled(story, "-0.02", as_left=mm("0.001"))
        await story.measure("11.42")
        seen = await story.seen()
        assert standing(seen) == ("normal", "cleared")
        assert recheck(seen, "recall-check")["state"] == "satisfied"


async def test_what_conforms_at_both_ends_stands(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.40")
        await recalled(story, "0.02")
        assert standing(await story.seen()) == ("normal", "cleared")
        (told,) = await notices(story, "gauge.suspect")
        assert (told["data"]["judged_again"], told["data"]["in_doubt"]) == (1, 0)


async def test_what_lies_outside_at_both_ends_stays_rejected(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.60")
        await recalled(story, "0.02")
        assert reasons(await story.seen()) == ["setting_nonconforming"]


async def test_the_acceptance_of_a_rebuild_is_not_taken_back_by_a_doubt(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.rebuild()
        await story.prepare()
        await story.measure("11.36")
        await recalled(story, "0.03")
        seen = await story.seen()
        assert (standing(seen), reasons(seen)) == (("function_check", "restricted"), ["undecided"])


async def test_only_what_was_measured_since_the_last_good_calibration_is_in_doubt(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.commission(OTHER, machine="H2-M05")
        other: Json = {
            "readings": [{"angle": q(a, "deg"), "depth": mm("11.44")} for a in ("0", "180")],
            "gauge": "DG-03",
        }
        other |= {"gauge_zeroed": True, "draw_bar": "released"}
        await story.tell("setting.measured", other, of=f"spindles/{OTHER}")
        await story.tell("gauge.calibrated", found("0.002"), of="gauges/DG-03")
        await story.ledger.sweep()
        before = await story.seen(OTHER)
        await story.measure("11.44")
        await recalled(story, "-0.02")
        assert standing(await story.seen()) == ("function_check", "restricted")
        assert await story.seen(OTHER) == before
        (told,) = await notices(story, "gauge.suspect")
        assert [each["spindle"] for each in told["data"]["spindles"]] == [SPINDLE]


async def test_found_within_its_permitted_error_a_gauge_past_due_has_proven_all_the_same(database_url: str) -> None:
    async with telling(database_url) as story:
        due = ago(days=100).date().isoformat()
        certificate = {"expanded_uncertainty": mm("0.006"), "k": "2", "due": due}
        await earlier(story, "gauge.calibrated", certificate, "gauges/DG-03", 150)
        late = await story.measure("11.40")
        assert late["verdict"]["reasons"] == ["gauge_overdue"]
        await recalled(story, "0.009")
        assert standing(await story.seen()) == ("normal", "cleared")
        assert await notices(story, "gauge.suspect") == []


async def test_a_torque_tool_found_out_reaches_the_torques_it_set(database_url: str) -> None:
    async with telling(database_url) as story:
        tool = {"kind": "torque", "resolution": q("0.1", "N.m"), "permitted_error": q("1", "N.m")}
        await earlier(story, "gauge.registered", tool, "gauges/TW-11", 150)
        certificate = {"expanded_uncertainty": q("0.4", "N.m"), "k": "2", "due": DUE}
        await earlier(story, "gauge.calibrated", certificate, "gauges/TW-11", 149)
        await story.rebuild()
        await story.tell("nose.torqued", {"torque": q("37", "N.m"), "how": "set", "tool": "TW-11"})
        await story.tell("clamp.exercised", {"cycles": 3})
        await story.measure("11.40")
        await recalled(story, "3", unit="N.m", of="gauges/TW-11")
        seen = await story.seen()
        assert (standing(seen), reasons(seen)) == (("function_check", "restricted"), ["undecided"])
        assert seen["last_setting"]["verdict"]["recall"]["value"] == q("34", "N.m")
        (told,) = await notices(story, "gauge.suspect")
        assert told["subject"] == "gauges/TW-11"


async def test_forces_and_run_outs_are_judged_again_like_depths(database_url: str) -> None:
    async with telling(database_url) as story:
        for key, kind, error, unit in (("FG-01", "force", "300", "N"), ("RG-02", "run_out", "1", "um")):
            registered = {"kind": kind, "repeatability": q("0.2", unit), "permitted_error": q(error, unit)}
            await earlier(story, "gauge.registered", registered, f"gauges/{key}", 100)
        await story.pull("16.9", "17.0", "17.1", "17.0")
        assert "force_low" in reasons(await story.seen())
        await recalled(story, "900", unit="N", of="gauges/FG-01")
        seen = await story.seen()
        assert seen["last_draw_force"]["verdict"]["outcome"] == "undecided"
        place = {"place": "taper_bore", "distance": mm("0"), "run_out": q("5", "um"), "gauge": "RG-02"}
        await story.tell("run_out.measured", place)
        await recalled(story, "2", unit="um", of="gauges/RG-02")
        assert (await story.seen())["last_run_out"]["verdict"]["outcome"] == "undecided"
        assert len(await notices(story, "gauge.suspect")) == 2


async def test_a_withdrawn_lot_opens_a_check_on_what_carries_it(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.tell("lot.received", {"sheet": "SKERROW-A", "quantity": 12}, of="lots/L-1")
        await story.rebuild(lot="L-1")
        await story.prepare()
        await story.measure("11.40")
        await story.tell("lot.withdrawn", {"reason": "hardness"}, of="lots/L-1")
        await story.ledger.sweep()
        seen = await story.seen()
        assert (standing(seen), reasons(seen)) == (("function_check", "restricted"), ["lot_withdrawn"])
        assert recheck(seen, "lot-check")["state"] == "open"
        (told,) = await notices(story, "lot.suspect")
        assert (told["data"]["in_doubt"], told["data"]["reason"]) == (1, "hardness")
        await story.measure("11.41")
        assert standing(await story.seen()) == ("normal", "cleared")


async def test_what_a_gauge_judged_and_a_lot_reached_can_be_asked(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.tell("lot.received", {"sheet": "SKERROW-A", "quantity": 12}, of="lots/L-1")
        await story.rebuild(lot="L-1")
        await story.prepare()
        await story.measure("11.44")
        await recalled(story, "-0.02")
        reach = await story.read("/v1/gauges/DG-03/reach")
        assert [(each["spindle"], each["check"], each["outcome"]) for each in reach["items"]] == [
            (SPINDLE, "setting", "undecided")
        ]
        until = (story.now - timedelta(days=1)).isoformat().replace("+00:00", "Z")
        assert (await story.read(f"/v1/gauges/DG-03/reach?until={until}"))["items"] == []
        lot = await story.read("/v1/lots/L-1/reach")
        assert [(each["spindle"], each["fitted_now"]) for each in lot["items"]] == [(SPINDLE, True)]
        assert (await story.read("/v1/sheets/SKERROW-A"))["stock"] == {"received": 12, "fitted": 1, "left": 11}
        assert (await story.read("/v1/lots/L-1"))["fitted"] == 1
        assert reach["items"][0]["machine"] == PLACE["machine"]


async def test_a_revision_is_tried_out_and_nothing_is_recorded(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.40")
        deeper = {"quantity": "depth", "nominal": mm("11.60"), "lower": mm("-0.05"), "upper": mm("0.05")}
        revision = sheet_of(setting_depth=deeper, revision=2, valid_from=ago(days=250).isoformat())
        before = await story.seen()
        answer = await story.ledger.client.post("/v1/sheets/SKERROW-A/preview", json=revision)
        (change,) = answer.json()["changed"]
        assert (change["now"]["health"], change["then"]["health"]) == ("normal", "out_of_specification")
        assert (change["now"]["setting"], change["then"]["setting"]) == ("conforming", "nonconforming")
        assert await story.seen() == before
        assert (await story.read("/v1/sheets/SKERROW-A"))["revisions"] == [1]
        same = await story.ledger.client.post("/v1/sheets/SKERROW-A/preview", json=sheet_of(revision=2))
        assert (same.json()["judged"], same.json()["changed"]) == (1, [])
        taken = await story.ledger.client.post("/v1/sheets/SKERROW-A/preview", json=revision | {"revision": 1})
        assert (taken.status_code, taken.json()["code"]) == (422, "sheet_revision_exists")
        bad = await story.ledger.client.post("/v1/sheets/SKERROW-A/preview", json={"revision": 2})
        assert bad.json()["errors"][0]["pointer"] == "/valid_from"


async def test_an_error_corrected_to_a_larger_one_is_a_recall_of_its_own(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.44")
        await recalled(story, "0.015")
        sent, _ = story.told[-1]
        assert [each["data"]["in_doubt"] for each in await notices(story, "gauge.suspect")] == [0]
        said = {"target": {"source": sent["source"], "id": sent["id"]}, "data": found("-0.09"), "reason": "misread"}
        await story.tell("entry.corrected", said, of="gauges/DG-03")
        await story.ledger.sweep()
        assert [each["data"]["in_doubt"] for each in await notices(story, "gauge.suspect")] == [0, 1]


async def test_a_recall_that_is_put_right_before_it_was_told_is_not_told(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.44")
        await story.tell("gauge.calibrated", found("-0.02"), of="gauges/DG-03")
        sent, _ = story.told[-1]
        said = {
            "target": {"source": sent["source"], "id": sent["id"]},
            "data": found("-0.002"),
            "reason": "a zero lost",
        }
        await story.tell("entry.corrected", said, of="gauges/DG-03")
        await story.ledger.sweep()
        assert await notices(story, "gauge.suspect") == []
        assert standing(await story.seen()) == ("normal", "cleared")


async def test_a_gauge_without_a_permitted_error_or_left_out_is_pointed_out(database_url: str) -> None:
    async with telling(database_url) as story:
        left = await story.tell("gauge.calibrated", found("0.5", as_left=mm("0.06")), of="gauges/DG-03")
        assert [each["code"] for each in left["findings"]] == ["left_out_of_tolerance"]
        unsaid = await story.tell("gauge.calibrated", found("9", "N"), of="gauges/FG-01")
        assert [each["code"] for each in unsaid["findings"]] == ["permitted_error_missing"]
        for path in ("/v1/gauges/DG-99/reach", "/v1/lots/L-99/reach"):
            assert (await story.ledger.client.get(path)).status_code == 404
