"""Work orders as B2MML documents: what is served validates against the public JSON schema, with its own words.

The schema (MESA International) is not part of the project: it is looked for where SPINDLE_LEDGER_SCHEMAS points, or
beside the checkout, and the tests are skipped where it is not.
"""

import json
import os
from functools import cache
from pathlib import Path
from typing import Any, Final

import jsonschema
import pytest

from tests.api.test_work_orders import of_cause, three
from tests.domain.skerrow import q
from tests.running import Json
from tests.story.ordering import System

FORM: Final = "application/b2mml+json"
NAME: Final = "b2mml-all.json"
BESIDE: Final = Path(__file__).parents[2] / "../shared/schemas"


@cache
def schema() -> Json:
    folder = Path(os.environ.get("SPINDLE_LEDGER_SCHEMAS") or BESIDE)
    if not (folder / NAME).is_file():
        pytest.skip(f"{NAME} is not there: set SPINDLE_LEDGER_SCHEMAS to a folder that holds it")
    found: Json = json.loads((folder / NAME).read_text("utf-8"))
    return found


def words(name: str) -> set[str]:
    """The words of a closed list of the schema."""
    return set(schema()["$defs"][name]["properties"]["$"]["enum"])


async def served(one: System, path: str = "", **parameters: Any) -> Json:
    headers = one.headers | {"Accept": FORM}
    answer = await one.client.get(f"/v1/work-orders{path}", params=parameters, headers=headers)
    assert (answer.status_code, answer.headers["content-type"]) == (200, FORM)
    found: Json = answer.json()
    jsonschema.Draft202012Validator(schema()).validate(found)
    return found


def assert_words(request: Json) -> None:
    assert request["RequestState"] in words("RequestStateType")
    assert request["WorkType"] in words("OperationsTypeType")
    assert request["HierarchyScope"]["EquipmentLevel"] in words("EquipmentLevelType")
    (job,) = request["JobOrder"]
    assert job["DispatchStatus"] in words("JobOrderDispatchStatusType")
    assert all(each["MaterialUse"] in words("MaterialUseType") for each in job.get("MaterialRequirement", []))


def test_the_schema_refuses_what_it_does_not_know() -> None:
    validator = jsonschema.Draft202012Validator(schema())
    assert not validator.is_valid({"WorkRequest": {"ID": "x"}}), "a request has a job order"
    assert not validator.is_valid({"WorkRequest": {"ID": "x", "JobOrder": [{"ID": "x"}], "Colour": "red"}})


async def test_an_order_is_a_work_request_in_every_state_until_it_is_proven(database_url: str) -> None:
    async with three(database_url) as (story, one):
        order = await of_cause(one, "setting")
        name = f"/{order['id']}"
        request = (await served(one, name))["WorkRequest"]
        assert_words(request)
        assert (request["ID"], request["RequestState"], request["Priority"]) == (order["id"], "Released", 2)
        (job,) = request["JobOrder"]
        assert job["Description"] == [*order["job"]["steps"], *order["cautions"]]
        assert [each["EquipmentClassID"] for each in job["EquipmentRequirement"]] == [["depth"], ["torque"]]
        assert job["EquipmentRequirement"][1]["Description"] == ["torque tool, 37 N.m"]
        planned = {"start": "2026-11-01T06:00:00Z", "end": "2026-11-01T07:00:00Z", "assignee": "k.m.", "number": "A-1"}
        for state in ("waiting", "ready", "running", "held", "suspended", "closed"):
            await one.plan(order["id"], state=state, **planned)
            request = (await served(one, name))["WorkRequest"]
            assert_words(request)
            assert request["RequestState"] == state.capitalize()
        (job,) = request["JobOrder"]
        assert (job["StartTime"], job["EndTime"]) == (planned["start"], planned["end"])
        assert job["PersonnelRequirement"] == [{"ID": "k.m.", "PersonID": ["k.m."]}]
        for turned in (
            ("nose.adjusted", {"turn": q("24", "deg"), "direction": "out"}),
            ("nose.torqued", {"torque": q("37", "N.m"), "how": "set"}),
            ("clamp.exercised", {"cycles": 3}),
        ):
            await story.tell(*turned, of="spindles/S2")
        readings = [{"angle": q(angle, "deg"), "depth": q("11.40", "mm")} for angle in ("0", "180")]
        data = {"readings": readings, "gauge": "DG-03", "gauge_zeroed": True, "draw_bar": "released"}
        await story.tell("setting.measured", data, of="spindles/S2")
        response = (await served(one, name))["JobResponse"]
        assert (response["JobOrderID"], response["JobState"]) == (order["id"], "Completed")
        assert response["JobState"] in words("ResponseStateType")
        values = {each["ID"]: each["Value"][0]["ValueString"] for each in response["JobResponseData"]}
        assert values == {"because": "proven", "entry": "6", "count": "118000", "late": "false", "number": "A-1"}


async def test_lists_and_the_feed_are_a_schedule_and_responses(database_url: str) -> None:
    async with three(database_url) as (story, one):
        await story.tell("clamping_set.replaced", {"reason": "worn", "segments_seated": 6}, of="spindles/S1")
        resolved = {"component": "nose", "code": "cracked", "done": "new nose"}
        await story.tell("condition.resolved", resolved, of="spindles/S1")
        for found in (await served(one), await served(one, after="")):
            assert len(found["WorkSchedule"]["WorkRequest"]) == 4
            assert len(found["JobResponseList"]["JobResponse"]) == 1
            for request in found["WorkSchedule"]["WorkRequest"]:
                assert_words(request)
        assert await served(one, plant="elsewhere") == {}
        condition = await served(one, cause="setting")
        assert set(condition) == {"WorkSchedule"}


async def test_parts_are_material_to_be_used(database_url: str) -> None:
    async with three(database_url) as (story, one):
        pulls = {"pulls": [{"value": q("18", "kN")}] * 3, "gauge": "FG-01", "gauge_zeroed": True, "draw_bar": "clamped"}
        await story.tell("draw_force.measured", pulls, of="spindles/S2")
        order = await of_cause(one, "draw_force")
        (job,) = (await served(one, f"/{order['id']}"))["WorkRequest"]["JobOrder"]
        material = {each["ID"]: each["Quantity"][0]["QuantityString"] for each in job["MaterialRequirement"]}
        assert material == {"gripper segment": "6", "spring sleeve": "1", "o-ring": "1", "nose": "1"}
