"""Repeatability studies and drift of gauges through HTTP: what they teach about the next measurement."""

from datetime import timedelta

import pytest

from tests.domain.skerrow import mm, q
from tests.running import Json
from tests.story.every_kind import Story, sheet_of, telling
from tests.story.loading import ENDED, ago

DUE = (ENDED + timedelta(days=300)).date().isoformat()


def study(**changes: str) -> Json:
    """Three parts, two people, two trials; a cell may be changed by its name."""
    values = {"A": ("11.400", "11.404"), "B": ("11.430", "11.432"), "C": ("11.460", "11.458")}
    measurements = [
        {"part": part, "person": person, "trial": trial, "value": mm(found[trial - 1])}
        for part, found in values.items()
        for person in ("k.m. fitter", "r.t. engineer")
        for trial in (1, 2)
    ]
    return {"measurements": measurements, "tolerance": mm("0.10")} | changes


async def calibrated(story: Story, days: float, found: str, left: str | None = None) -> None:
    data: Json = {"expanded_uncertainty": mm("0.002"), "k": "2", "as_found": mm(found), "due": DUE}
    now = story.now
    await story.tell(
        "gauge.calibrated", data | ({} if left is None else {"as_left": mm(left)}), of="gauges/DG-03", at=ago(days=days)
    )
    story.now = now


async def test_a_study_gives_repeatability_with_its_degrees_of_freedom(database_url: str) -> None:
    async with telling(database_url) as story:
        stated = await story.measure("11.40")
        line = stated["verdict"]["uncertainty"]["budget"][0]
        assert (line["source"], line["dof"]) == ("repeatability", None)
        await story.tell("gauge.studied", study(), of="gauges/DG-03")
        known = await story.read("/v1/gauges/DG-03")
        assert known["repeatability"]["dof"] == 6
        assert float(known["repeatability"]["s"]) == pytest.approx(0.002, abs=1e-12)
        made = await story.read(f"/v1/gauges/DG-03/studies/{known['studies'][0]['entry']}")
        assert made["anova"]["method"] != made["average_and_range"]["method"]
        pooled = await story.measure("11.41")
        line = pooled["verdict"]["uncertainty"]["budget"][0]
        assert (line["dof"], line["u"]["value"], line["averaged"]) == ("6", "0.00141421", True)


async def test_a_sheet_that_asks_for_a_confidence_expands_by_students_factor(database_url: str) -> None:
    rule = {"name": "simple", "edition": "JCGM 106:2012", "confidence": "0.95"}
    async with telling(database_url, decision_rule=rule) as story:
        await story.tell("gauge.studied", study(), of="gauges/DG-03")
        found = (await story.measure("11.40"))["verdict"]["uncertainty"]
        assert found["confidence"] == "0.95"
        assert 1.96 < float(found["k"]) < 2.45


async def test_a_study_with_a_missing_cell_is_refused_by_its_place_and_nothing_is_kept(database_url: str) -> None:
    async with telling(database_url) as story:
        whole = study()
        short = whole | {"measurements": whole["measurements"][:-1]}
        answer = await story.ledger.send(story.sent("gauge.studied", short, "gauges/DG-03", None, {}))
        assert (answer.status_code, answer.json()["code"]) == (422, "study_incomplete")
        assert "part C, person r.t. engineer, trial 2 is missing" in answer.json()["detail"]
        assert answer.json()["errors"][0]["pointer"] == "/data/measurements"
        newtons = whole | {
            "measurements": [{**whole["measurements"][0], "value": q("1", "N")}, *whole["measurements"][1:]]
        }
        answer = await story.ledger.send(story.sent("gauge.studied", newtons, "gauges/DG-03", None, {}))
        assert answer.json()["errors"][0]["pointer"] == "/data/measurements/0/value/unit"
        assert (await story.read("/v1/gauges/DG-03"))["studies"] == []


async def test_drift_and_its_interval_are_told_from_three_calibrations_on(database_url: str) -> None:
    async with telling(database_url) as story:
        await calibrated(story, 150, "0.000")
        early = await story.read("/v1/gauges/DG-03")
        assert (early["drift"], early["interval_advice"]["days"]) == (None, None)
        assert "three calibrations" in early["interval_advice"]["reason"]
        await calibrated(story, 100, "0.002", "0.000")
        await calibrated(story, 50, "0.0021", "0.000")
        await calibrated(story, 0.5, "0.0019", "0.000")
        known = await story.read("/v1/gauges/DG-03")
        assert float(known["drift"]["per_day"]) == pytest.approx(0.002 / 50, rel=0.05)
        assert known["drift"]["points"] == 4
        assert 150 < known["interval_advice"]["days"] < 250
        due = known["drift"]["when_due"]
        assert float(due["error"]) == pytest.approx(0.002 / 50 * 301, rel=0.1)
        assert float(due["u"]) > 0.001


async def test_pulls_show_their_own_repeatability_where_none_is_stated(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.tell("gauge.registered", {"kind": "force"}, of="gauges/FG-01", at=ago(days=190))
        story.now = ago(days=3)
        found = (await story.pull("20.0", "20.1", "20.2", "20.3"))["verdict"]["uncertainty"]
        line = found["budget"][0]
        assert (line["source"], line["dof"]) == ("repeatability", "2")
        assert float(line["u"]["value"]) == pytest.approx(100 / 3**0.5, rel=1e-5), "of the three kept, in N"


async def test_temperature_and_drift_since_the_calibration_are_lines_of_the_budget(database_url: str) -> None:
    async with telling(database_url, decision_rule=sheet_of()["decision_rule"]) as story:
        heat = {"expansion_per_kelvin": "0.0000115", "half_width": q("5", "K")}
        registered = {
            "kind": "depth",
            "resolution": mm("0.01"),
            "repeatability": mm("0.004"),
            "repeatability_dof": 9,
            "drift_per_year": mm("0.002"),
            "temperature": heat,
        }
        await story.tell("gauge.registered", registered, of="gauges/DG-03", at=ago(days=190))
        story.now = ago(days=3)
        found = (await story.measure("11.40"))["verdict"]["uncertainty"]
        lines = {line["source"]: line for line in found["budget"]}
        assert float(lines["temperature"]["u"]["value"]) == pytest.approx(11.40 * 1.15e-5 * 5 / 3**0.5, rel=1e-5)
        assert not lines["temperature"]["averaged"]
        years = (story.now - ago(days=198)).total_seconds() / 31_557_600
        assert float(lines["drift"]["u"]["value"]) == pytest.approx(0.002 * years / 3**0.5, rel=1e-4)
        assert lines["repeatability"]["dof"] == "9"
