"""Setting, draw force and run-out through HTTP: what is judged, and what health and clearance make of it."""

import pytest

from tests.domain.skerrow import mm, q
from tests.running import Json
from tests.story.every_kind import Story, reasons, standing, telling

FORCE = {
    "warning": q("18.5", "kN"),
    "minimum": q("16.5", "kN"),
    "maximum": q("25", "kN"),
    "pulls": 3,
    "discard_first": True,
    "judge": "mean",
}
RUN_OUT = [
    {"place": "taper_bore", "limit": q("4", "um")},
    {"place": "face", "limit": q("5", "um")},
    {"place": "arbor", "distance": mm("0"), "limit": q("6", "um")},
    {"place": "arbor", "distance": mm("300"), "limit": q("15", "um")},
]


async def proven(story: Story) -> None:
    assert standing((await story.measure())["state"]) == ("normal", "cleared")


async def test_a_setting_measured_with_all_that_may_be_said(database_url: str) -> None:
    async with telling(database_url) as story:
        said = {"temperature": q("21.5", "Cel"), "count": 118_020}
        first = await story.measure("11.46", **said)
        verdict = first["verdict"]
        assert (verdict["outcome"], verdict["mean"], verdict["deviation"]) == ("nonconforming", mm("11.46"), mm("0.06"))
        assert (standing(first["state"]), first["state"]["count"]) == (("out_of_specification", "withheld"), 118_020)
        again = await story.measure("11.46", **said)
        assert [each["code"] for each in again["findings"]] == ["remeasured_unchanged"]
        assert again["shift"]["moved"] is False
        moved = await story.measure("11.44", count=118_030)
        assert (moved["shift"]["difference"], moved["shift"]["moved"]) == (mm("-0.02"), True)
        assert standing(moved["state"]) == ("normal", "cleared")
        assert [each["code"] for each in moved["findings"]] == ["remeasured_unchanged"]
        assert "11.46 mm, nonconforming. This one: 11.44 mm, conforming." in moved["findings"][0]["text"]
        assert moved["verdict"]["findings"] == moved["findings"]
        shown = (await story.seen())["last_setting"]
        assert (shown["entry"], shown["stands"], shown["verdict"]) == (4, True, moved["verdict"])
        assert shown["count"] == 118_030


@pytest.mark.parametrize(
    ("pulls", "judge", "force", "outcome", "found"),
    [
        (("30", "21", "20"), "mean", "20500", "conforming", ("normal", "cleared", [])),
        (("30", "21", "18.4"), "lowest", "18400", "conforming", ("maintenance_required", "cleared", ["force_low"])),
        (("30", "18.5", "18.5"), "mean", "18500", "conforming", ("normal", "cleared", [])),
        (("30", "18.5", "18.49"), "mean", "18495", "conforming", ("maintenance_required", "cleared", ["force_low"])),
        (("30", "16.5", "16.5"), "mean", "16500", "conforming", ("maintenance_required", "cleared", ["force_low"])),
        (("30", "16.5", "16.49"), "mean", "16495", "nonconforming", ("failure", "withheld", ["force_below_minimum"])),
        (("30", "21", "16.49"), "lowest", "16490", "nonconforming", ("failure", "withheld", ["force_below_minimum"])),
        (
            ("20", "25.1", "25"),
            "mean",
            "25050",
            "nonconforming",
            ("out_of_specification", "restricted", ["force_above_maximum"]),
        ),
    ],
)
async def test_a_draw_force_is_judged_by_the_pulls_that_are_kept(
    database_url: str, pulls: tuple[str, ...], judge: str, force: str, outcome: str, found: tuple[str, str, list[str]]
) -> None:
    async with telling(database_url, draw_force=FORCE | {"judge": judge}) as story:
        await proven(story)
        before = await story.pull("30", "21", "21")
        receipt = await story.pull(*pulls, phase="as_found", count=118_040)
        verdict = receipt["verdict"]
        assert (verdict["outcome"], verdict["judged"], verdict["kept"]) == (outcome, judge, 2)
        assert float(verdict["force"]["value"]) == float(force)
        assert (*standing(receipt["state"]), reasons(receipt["state"])) == found
        shown = (await story.seen())["last_draw_force"]
        assert (shown["stands"], shown["count"], shown["verdict"]) == (True, 118_040, verdict)
        if outcome == "nonconforming":
            assert receipt["state"]["in_doubt_since"]["entry"] == before["entry"]["sequence"]
            await story.pull("22", "22", "22", phase="as_left")
            assert standing(await story.seen()) == ("normal", "cleared")


async def test_a_force_is_not_admissible_without_its_pulls(database_url: str) -> None:
    async with telling(database_url, draw_force=FORCE) as story:
        await proven(story)
        assert (await story.pull("20", "21"))["verdict"]["reasons"] == ["too_few_pulls"]
        pulls = [{"value": q("21", "kN"), "discarded": discarded} for discarded in (False, False, True)]
        marked = await story.tell(
            "draw_force.measured",
            {"pulls": pulls, "gauge": "FG-01", "gauge_zeroed": True, "draw_bar": "clamped"},
        )
        assert marked["verdict"]["reasons"] == ["too_few_pulls"], "one was discarded by hand, and the first anyway"
        wrong = await story.pull("20", "21", "21", gauge="DG-03", gauge_zeroed=False, draw_bar="released")
        assert wrong["verdict"]["reasons"] == ["gauge_wrong_kind", "gauge_not_zeroed", "not_clamped"]
        assert standing(await story.seen()) == ("normal", "cleared")


async def test_a_run_out_is_judged_at_its_place_and_its_distance(database_url: str) -> None:
    async with telling(database_url, run_out=RUN_OUT) as story:
        await proven(story)

        async def run_out(place: str, micrometres: str, **data: Json | str | int) -> Json:
            whole = {"place": place, "run_out": q(micrometres, "um"), "gauge": "RG-02"} | data
            return await story.tell("run_out.measured", whole)

        bore = await run_out("taper_bore", "4", gauge_zeroed=True)
        assert (bore["verdict"]["outcome"], bore["verdict"]["limits"]["upper"]) == ("conforming", mm("0.004"))
        face = await run_out("face", "5.1", count=118_050)
        assert face["verdict"]["outcome"] == "nonconforming"
        assert (standing(face["state"]), reasons(face["state"])) == (
            ("out_of_specification", "restricted"),
            ["run_out_nonconforming"],
        )
        near = await run_out("arbor", "5", distance=mm("0"), arbor="AR-300", reversed_run_out=q("6.5", "um"))
        assert (near["verdict"]["run_out"], near["verdict"]["outcome"]) == (mm("0.0065"), "nonconforming")
        far = await run_out("arbor", "9", distance=mm("300"), arbor="AR-300", reversed_run_out=q("11", "um"))
        assert (far["verdict"]["run_out"], far["verdict"]["outcome"]) == (mm("0.011"), "conforming")
        assert reasons(far["state"]) == ["run_out_nonconforming", "run_out_nonconforming"]
        shown = (await story.seen())["last_run_out"]
        assert (shown["stands"], shown["verdict"]) == (True, far["verdict"])

        await run_out("face", "5")
        cured = await run_out("arbor", "6", distance=q("0", "um"), reversed_run_out=q("5", "um"))
        assert standing(cured["state"]) == ("normal", "cleared")
        unstated = {"place": "arbor", "run_out": q("5", "um"), "gauge": "RG-02", "distance": mm("150")}
        assert await story.refused("run_out.measured", unstated) == (422, "sheet_incomplete")
        zeroed = await run_out("face", "7", gauge_zeroed=False)
        assert (zeroed["verdict"]["reasons"], zeroed["verdict"]["outside"]) == (["gauge_not_zeroed"], True)
        assert reasons(zeroed["state"]) == ["unproven_out"]


async def test_what_does_not_apply_is_not_judged(database_url: str) -> None:
    async with telling(database_url, draw_force="not_applicable", run_out="not_applicable") as story:
        pulls = {"pulls": [{"value": q("21", "kN")}], "gauge": "FG-01"}
        assert await story.refused("draw_force.measured", pulls) == (422, "check_not_applicable")
        run_out = {"place": "face", "run_out": q("5", "um"), "gauge": "RG-02"}
        assert await story.refused("run_out.measured", run_out) == (422, "check_not_applicable")
