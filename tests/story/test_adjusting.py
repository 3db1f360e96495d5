"""Adjusting through HTTP: what turns taught, leave where turning will not do, and readings nobody shops for."""

from datetime import timedelta

from tests.domain.skerrow import guarded, mm, q
from tests.running import Json
from tests.story.every_kind import BEGUN, SPINDLE, Story, reasons, standing, telling

LEAVE = {"reason": "no set in stock", "approved_by": "r.t. engineer"}


async def turn(story: Story, degrees: str, direction: str, depth: str) -> Json:
    """Turned, torqued, run in and measured again."""
    await story.tell("nose.adjusted", {"turn": q(degrees, "deg"), "direction": direction})
    await story.prepare()
    return await story.measure(depth)


async def measurements(story: Story) -> list[Json]:
    found: list[Json] = (await story.read(f"/v1/spindles/{SPINDLE}/measurements"))["items"]
    return found


def codes(receipt: Json) -> list[str]:
    return [each["code"] for each in receipt["findings"]]


async def test_the_second_turn_is_corrected_by_what_the_first_achieved(database_url: str) -> None:
    async with telling(database_url) as story:
        first = (await story.measure("11.60"))["instruction"]
        assert (first["turn"], first["direction"], first["expected_depth"]) == (q("48", "deg"), "out", mm("11.40"))
        assert first["response"] == {"factor": "1", "u": "0.1", "learned_from": []}
        assert float(first["probability_one_turn_suffices"]) < 0.99
        short = await turn(story, "48", "out", "11.46")
        second = short["instruction"]
        adjustment = short["entry"]["sequence"] - 3
        assert second["response"]["learned_from"] == [adjustment]
        assert 0.70 < float(second["response"]["factor"]) < 0.75
        assert 14.4 < float(second["turn"]["value"]) < 14.4 / 0.70
        assert float(second["probability_one_turn_suffices"]) > float(first["probability_one_turn_suffices"])
        lower, upper = (float(second["expected_interval"][side]["value"]) for side in ("lower", "upper"))
        assert 11.35 < lower < 11.40 < upper < 11.45
        assert standing((await turn(story, second["turn"]["value"], "out", "11.40"))["state"]) == ("normal", "cleared")


async def test_a_turn_that_fell_short_is_told_and_stands_beside_the_measurement(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.60")
        short = await turn(story, "48", "out", "11.50")
        assert codes(short) == ["nose_response"]
        assert "48 deg out (entry 3) should have changed the depth by -0.200 mm" in short["findings"][0]["text"]
        assert "it changed by -0.100 mm: too little" in short["findings"][0]["text"]
        assert [each["verdict"]["findings"] for each in await measurements(story)] == [[], short["findings"]]
        assert (await story.seen())["last_setting"]["verdict"]["findings"] == short["findings"]


async def test_a_corrected_turn_is_what_was_learned_from(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.60")
        adjusted = {"turn": q("96", "deg"), "direction": "out"}
        await story.tell("nose.adjusted", dict(adjusted))
        sent = story.told[-1][0]
        await story.prepare()
        assert codes(await story.measure("11.40")) == ["nose_response"]
        said = {
            "target": {"source": sent["source"], "id": sent["id"]},
            "data": adjusted | {"turn": q("48", "deg")},
            "reason": "misread",
        }
        await story.tell("entry.corrected", said, actor="r.t. engineer")
        assert [each["verdict"]["findings"] for each in await measurements(story)] == [[], []]
        await story.count(118_800)
        assert (await story.measure("11.50"))["instruction"]["response"]["factor"] == "1"


async def test_a_rebuild_starts_from_the_thread_again(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.60")
        assert (await turn(story, "48", "out", "11.45"))["instruction"] is None
        await story.rebuild()
        await story.prepare()
        advice = (await story.measure("11.50"))["instruction"]
        assert (advice["turn"], advice["response"]["learned_from"]) == (q("24", "deg"), [])


async def test_leave_for_an_undecided_setting_is_shown_until_it_lapses(database_url: str) -> None:
    async with telling(database_url, decision_rule=guarded()) as story:
        await story.measure("11.40")
        await story.count(118_100)
        undecided = await story.measure("11.449")
        assert (reasons(undecided["state"]), standing(undecided["state"])[1]) == (["undecided"], "restricted")
        own = LEAVE | {"until_count": 118_300, "approved_by": "k.m. fitter"}
        assert await story.refused("concession.granted", own) == (422, "event_invalid")
        granted = await story.tell("concession.granted", LEAVE | {"until_count": 118_300})
        leave = granted["state"]["concession"]
        assert (leave["given_for"], leave["until_count"], leave["holds"]) == (
            undecided["entry"]["sequence"],
            118_300,
            True,
        )
        assert (await story.seen())["concession"] == leave
        assert "lets it run until count 118300" in granted["state"]["reasons"][0]["text"]
        crossed = await story.count(118_300)
        assert crossed["state"]["concession"]["holds"] is False
        assert "held until count 118300" in (await story.seen())["reasons"][0]["text"]


async def test_leave_lapses_at_a_count_that_is_pushed_in_bulk(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.46")
        await story.tell("concession.granted", LEAVE | {"until_count": 118_130})
        await story.push(118_129, story.now + timedelta(hours=1))
        assert (await story.seen())["clearance"] == "restricted"
        await story.push(118_130, story.now + timedelta(hours=1))
        seen = await story.seen()
        assert (seen["clearance"], seen["concession"]["holds"]) == ("withheld", False)


async def test_leave_covers_no_setting_that_has_moved_further_out(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.46")
        until = (BEGUN + timedelta(days=400)).isoformat()
        assert (await story.tell("concession.granted", LEAVE | {"until": until}))["state"]["clearance"] == "restricted"
        assert (await story.count(118_200))["state"]["clearance"] == "restricted"
        further = await story.measure("11.48")
        assert (further["state"]["clearance"], further["state"]["concession"]) == ("withheld", None)


async def test_leave_that_is_for_nothing_is_taken_down_and_said_so_and_for_other_checks_refused(
    database_url: str,
) -> None:
    async with telling(database_url) as story:
        await story.measure("11.40")
        nothing = await story.tell("concession.granted", LEAVE | {"until_count": 120_000})
        assert codes(nothing) == ["nothing_to_concede"]
        assert nothing["state"]["concession"] is None
        for check in ("draw_force", "run_out", "visual", "grease"):
            leave = LEAVE | {"until_count": 120_000, "check": check}
            assert await story.refused("concession.granted", leave) == (422, "concession_not_for_check")


async def test_leave_that_arrives_before_the_measurement_it_is_for_covers_it_once_that_is_entered(
    database_url: str,
) -> None:
    async with telling(database_url) as story:
        await story.measure("11.40")
        at = BEGUN + timedelta(days=1)
        await story.tell("concession.granted", LEAVE | {"until_count": 120_000}, at=at)
        readings = [{"angle": q(angle, "deg"), "depth": mm("11.46")} for angle in ("0", "180")]
        data = {"readings": readings, "gauge": "DG-03", "gauge_zeroed": True, "draw_bar": "released", "count": 118_050}
        await story.tell("setting.measured", data, at=at - timedelta(hours=1))
        seen = await story.seen()
        assert (reasons(seen), seen["clearance"]) == (["setting_nonconforming"], "restricted")
        assert seen["concession"]["given_for"] == 4


async def test_shopping_for_a_reading_is_told_with_both_values(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure("11.46")
        again = await story.measure("11.448", count=118_002)
        assert (again["verdict"]["outcome"], codes(again)) == ("conforming", ["remeasured_unchanged"])
        assert again["findings"][0]["text"] == (
            "Nothing was done, but that 2 cycles were counted, since the measurement of entry 2: "
            "11.46 mm, nonconforming. This one: 11.448 mm, conforming."
        )
        assert [each["verdict"]["findings"] for each in await measurements(story)] == [[], again["findings"]]
        low = await story.pull("30", "16", "16")
        assert codes(low) == []
        assert codes(await story.pull("30", "17", "17")) == ["remeasured_unchanged"]
        await story.tell("component.replaced", {"component": "disc_spring_stack"})
        assert codes(await story.pull("30", "21", "21")) == []
