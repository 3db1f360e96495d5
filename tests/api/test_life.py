"""`GET /v1/life`: lives of sets from the ledger, the same numbers as from the evaluation asked with those lives."""

from datetime import timedelta
from typing import Any

import pytest

from service.rebuild import rebuild
from tests.api.documented import assert_told
from tests.running import Json, Running, running
from tests.story.day_one import event
from tests.story.sets import BEGUN, SHEET, START, commissioned, rebuilt, sheet, spindle

FAILED = [90_000, 121_000, 64_000, 150_500, 101_000, 83_000]
CUT = [40_000, 75_000]
RUNNING = [12_000, 30_000, 55_000, 20_000]


def works() -> list[list[Json]]:
    """Four spindles: six sets that failed, two that were cut short, four that run."""
    return [
        spindle("A", [(90_000, "worn"), (121_000, "low_force")], 12_000),
        spindle("B", [(64_000, "broken"), (40_000, "crash"), (150_500, "depth_lost")], 30_000),
        spindle("C", [(75_000, "preventive"), (101_000, "worn")], 55_000),
        spindle("D", [(83_000, "worn")], 20_000, plant="fell"),
    ]


async def told(ledger: Running) -> None:
    await ledger.record(sheet())
    for events in works():
        await ledger.record_all(events)


async def read(ledger: Running, **asked: Any) -> Json:
    answer = await ledger.client.get("/v1/life", params=asked)
    assert answer.status_code == 200, answer.text
    assert_told(answer)
    found: Json = answer.json()
    return found


async def test_lives_from_the_ledger_are_fitted_as_the_evaluation_fits_them(database_url: str) -> None:
    async with running(database_url) as ledger:
        await told(ledger)
        found = await read(ledger, sheet=SHEET)
        body = {"failures": FAILED, "censored": CUT + RUNNING}
        asked = (await ledger.client.post("/v1/evaluations/life", json=body)).json()
        for member in ("n", "failures", "censored", "shape", "scale", "b10", "log_likelihood", "kaplan_meier"):
            assert found[member] == asked[member], member
        assert found["bounds"] == asked["bounds"]
        assert (found["n"], found["failures"], found["censored"]) == (12, 6, 6)
        assert found["failed_by"] == {"broken": 1, "depth_lost": 1, "low_force": 1, "worn": 3}
        assert found["censored_by"] == {"crash": 1, "preventive": 1, "running": 4}
        assert found["left_out"] == {"start_unknown": 4}
        plants = {each["plant"]: each for each in found["groups"]}
        assert {name: each["failures"] for name, each in plants.items()} == {None: 6, "skerrow": 5, "fell": 1}
        assert (plants["fell"]["missing"], plants["fell"]["shape"]) == ("too_few_failures", None)
        only = await read(ledger, sheet=SHEET, plant="fell")
        assert (only["n"], only["failures"], only["fewest_failures"]) == (2, 1, 3)


async def test_what_counts_as_a_failure_can_be_asked_otherwise(database_url: str) -> None:
    async with running(database_url) as ledger:
        await told(ledger)
        found = await read(ledger, sheet=SHEET, failures="worn")
        assert (found["failures"], found["failed_by"], found["failures_are"]) == (3, {"worn": 3}, ["worn"])
        assert found["censored_by"]["low_force"] == 1
        crash = await read(ledger, sheet=SHEET, failures="crash")
        assert (crash["missing"], crash["shape"], crash["kaplan_meier"][0]["failures"]) == ("too_few_failures", None, 1)
        none = await read(ledger, sheet=SHEET, failures="recall")
        assert (none["missing"], none["kaplan_meier"], none["n"]) == ("no_failures", [], 12)


async def test_a_late_rebuild_a_correction_and_a_void_count_as_they_stand(database_url: str) -> None:
    async with running(database_url) as ledger:
        await told(ledger)
        late = BEGUN + timedelta(days=5)
        await ledger.record(rebuilt(late, START + 30_000, "broken", key="A"))
        split = await read(ledger, spindle="A")
        assert [step["life"] for step in split["kaplan_meier"]] == ["30000", "60000", "121000"]
        first = rebuilt(BEGUN + timedelta(days=10, hours=1), START + 90_000, "worn", key="A")
        target = {"source": first["source"], "id": first["id"]}
        said = {"target": target, "data": {"reason": "recall", "count": START + 90_000}, "reason": "a slip"}
        await ledger.record(event("entry.corrected", BEGUN + timedelta(days=200), said, key="A"))
        corrected = await read(ledger, spindle="A")
        assert corrected["censored_by"] == {"recall": 1, "running": 1}
        voided = {"target": target, "reason": "it was another spindle"}
        await ledger.record(event("entry.voided", BEGUN + timedelta(days=201), voided, key="A"))
        merged = await read(ledger, spindle="A")
        assert [step["life"] for step in merged["kaplan_meier"]] == ["30000", "181000"]
        assert [str(each) async for each in rebuild(ledger.database) if each.differences] == []


async def test_a_baseline_tells_the_age_of_the_set_that_was_there(database_url: str) -> None:
    async with running(database_url) as ledger:
        await told(ledger)
        stated = {"rebuilt": {"time": (BEGUN - timedelta(days=40)).isoformat(), "count": 1_000}}
        await ledger.record(commissioned("E", baseline=stated))
        await ledger.record(rebuilt(BEGUN + timedelta(days=20), START + 80_000, "worn", key="E"))
        found = await read(ledger, spindle="E")
        assert (found["n"], found["failures"], found["entered_late"]) == (1, 1, 1)
        assert found["kaplan_meier"][0]["life"] == "84000"
        days = await read(ledger, spindle="E", unit="days")
        assert days["kaplan_meier"][0]["life"] == "60"
        ahead = {"rebuilt": {"time": (BEGUN - timedelta(days=40)).isoformat(), "count": START + 1}}
        await ledger.record(commissioned("F", baseline=ahead))
        assert (await read(ledger, spindle="F"))["left_out"] == {"baseline_unfit": 1}


async def test_days_in_store_are_no_days_of_life_and_a_retired_spindle_is_cut_short(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all([sheet(), commissioned("G"), rebuilt(BEGUN, START, "preventive", key="G")])
        await ledger.record(event("spindle.removed", BEGUN + timedelta(days=10), {"to": "store"}, key="G"))
        back = {"plant": "skerrow", "hall": "1", "machine": "M-X", "position": "1"}
        await ledger.record(event("spindle.installed", BEGUN + timedelta(days=40), back, key="G"))
        await ledger.record(rebuilt(BEGUN + timedelta(days=45), START + 4_000, "worn", key="G"))
        found = await read(ledger, spindle="G", unit="days")
        assert [step["life"] for step in found["kaplan_meier"]] == ["15"]
        gone = {"count": START + 6_000}
        await ledger.record(event("spindle.retired", BEGUN + timedelta(days=60), gone, key="G"))
        assert (await read(ledger, spindle="G"))["censored_by"] == {"retired": 1}


async def test_another_sheet_cuts_a_set_short_and_begins_none(database_url: str) -> None:
    async with running(database_url) as ledger:
        await told(ledger)
        await ledger.record(sheet("SKERROW-B"))
        assigned = {"sheet": "SKERROW-B", "count": START + 270_000}
        await ledger.record(event("spindle.sheet_assigned", BEGUN + timedelta(days=100), assigned, key="A"))
        old, new = await read(ledger, sheet=SHEET), await read(ledger, sheet="SKERROW-B")
        assert (old["n"], old["censored_by"]["sheet_changed"]) == (12, 1)
        assert (new["n"], new["missing"], new["left_out"]) == (0, "no_sets", {"sheet_changed": 1})
        both = await read(ledger)
        assert (both["missing"], both["shape"]) == ("several_sheets", None)
        assert {(each["sheet"], each["plant"]) for each in both["groups"]} >= {(SHEET, None), ("SKERROW-B", "skerrow")}


async def test_costs_answer_the_age_of_replacement_and_a_spindle_its_trend(database_url: str) -> None:
    async with running(database_url) as ledger:
        await told(ledger)
        found = await read(ledger, sheet=SHEET, cost_planned="420", cost_failure="2600")
        asked = {"shape": found["shape"], "scale": found["scale"], "cost_planned": 420, "cost_failure": 2600}
        alone = (await ledger.client.post("/v1/evaluations/replacement", json=asked)).json()
        assert found["replacement"]["pays"] is True
        assert float(found["replacement"]["interval"]) == pytest.approx(float(alone["interval"]), rel=1e-9)
        cycles = [(50_000, "worn"), (40_000, "worn"), (30_000, "broken"), (10_000, "worn")]
        await ledger.record_all(spindle("H", cycles, 5_000))
        growth = (await read(ledger, spindle="H"))["growth"]
        body = {"times": [50_000, 90_000, 120_000, 130_000], "end": 135_000}
        assert growth == (await ledger.client.post("/v1/evaluations/growth", json=body)).json()
        few = await read(ledger, spindle="D")
        assert (few["growth"], few["growth_missing"]) == (
            None,
            "1 failures are too few: a power law needs 3 or more",
        )


async def test_rebuilds_to_come_stand_beside_the_kits_in_stock(database_url: str) -> None:
    async with running(database_url) as ledger:
        await told(ledger)
        lot = event("lot.received", BEGUN, {"sheet": SHEET, "quantity": 1}) | {"subject": "lots/L-1"}
        await ledger.record(lot)
        found = (await read(ledger, sheet=SHEET, months=12))["expected"]
        assert (found["running"], found["of_unknown_age"], found["in_stock"]) == (4, 0, 1)
        until = [each["rebuilds_until"] for each in found["months"]]
        assert len(until) == 12
        assert until == sorted(until)
        assert until[-1] == pytest.approx(sum(each["rebuilds"] for each in found["months"]))
        assert found["short"] == max(found["months"][-1]["kits_until"] - 1, 0)
        surer = (await read(ledger, sheet=SHEET, months=12, service_level=0.99))["expected"]
        assert surer["months"][-1]["kits_until"] >= found["months"][-1]["kits_until"]
        none = await read(ledger, sheet=SHEET, failures="recall")
        assert (none["expected"], none["expected_missing"]) == (None, "there is no distribution to expect them by")


@pytest.mark.parametrize(
    ("asked", "status", "code", "parameter"),
    [
        ({"sheet": "NONE"}, 404, "sheet_not_found", None),
        ({"spindle": "NONE"}, 404, "spindle_not_found", None),
        ({"failures": "worn,tired"}, 400, "reason_unknown", "failures"),
        ({"failures": ""}, 400, "reason_unknown", "failures"),
        ({"cost_planned": "-1", "cost_failure": "5"}, 400, "cost_unfit", "cost_planned"),
        ({"cost_planned": "1", "cost_failure": "NaN"}, 400, "cost_unfit", "cost_failure"),
        ({"cost_planned": "1"}, 400, "cost_unfit", "cost_failure"),
        ({"unit": "hours"}, 400, "request_invalid", "unit"),
        ({"months": "25"}, 400, "request_invalid", "months"),
        ({"service_level": "1"}, 400, "request_invalid", "service_level"),
        ({"confidence": "nan"}, 400, "request_invalid", "confidence"),
    ],
)
async def test_what_cannot_be_answered_is_refused_by_name(
    database_url: str, asked: dict[str, str], status: int, code: str, parameter: str | None
) -> None:
    async with running(database_url) as ledger:
        answer = await ledger.client.get("/v1/life", params=asked)
        assert (answer.status_code, answer.json()["code"]) == (status, code), answer.text
        if parameter is not None:
            assert answer.json()["errors"][0]["parameter"] == parameter


async def test_a_key_for_another_plant_sees_none_of_it(database_url: str) -> None:
    async with running(database_url) as ledger:
        await told(ledger)
        _, token = await ledger.key("read", plants=["fell"])
        headers = {"Authorization": f"Bearer {token}"}
        answer = await ledger.client.get("/v1/life", params={"sheet": SHEET}, headers=headers)
        assert (answer.json()["n"], [each["plant"] for each in answer.json()["groups"]]) == (2, [None, "fell"])
        hidden = await ledger.client.get("/v1/life", params={"spindle": "A"}, headers=headers)
        assert (hidden.status_code, hidden.json()["code"]) == (404, "spindle_not_found")
