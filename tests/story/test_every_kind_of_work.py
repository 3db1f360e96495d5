"""Work on the clamping set and the nose: every kind of it through HTTP, and what it ends and asks for."""

import pytest

from tests.domain.skerrow import mm, q
from tests.running import Json
from tests.story.every_kind import reasons, recheck, standing, telling

BED_IN = {"code": "bed-in", "check": "setting", "after_cycles": 500, "since": "acceptance"}
LIFE = {"code": "life", "check": "visual", "after_cycles": 90_000, "since": "rebuild"}
NOT_ACCEPTED = (("function_check", "withheld"), ["not_accepted"])
NORMAL: tuple[tuple[str, str], list[str]] = (("normal", "cleared"), [])
COMPONENTS = ("disc_spring_stack", "draw_bar", "nose", "o_ring", "gripper_segment", "release_unit", "other")


def told(state: Json) -> tuple[tuple[str | None, str], list[str]]:
    return standing(state), reasons(state)


async def test_a_rebuild_with_the_whole_kit_ends_the_proof_and_is_accepted_by_a_setting(database_url: str) -> None:
    async with telling(database_url, BED_IN, LIFE) as story:
        assert told((await story.measure())["state"]) == NORMAL
        await story.tell("lot.received", {"sheet": "SKERROW-A", "quantity": 4}, of="lots/L-2291")
        rebuilt = await story.rebuild(lot="L-2291", found="two segments scored", count=118_010)
        assert told(rebuilt["state"]) == NOT_ACCEPTED
        assert [each["recheck"] for each in rebuilt["opened"]] == ["life"]
        assert recheck(rebuilt["state"], "life")["due_at_count"] == 208_010
        worn = (await story.seen())["clamping_set"]
        assert (worn["entry"], worn["lot"], worn["reason"], worn["missing"]) == (3, "L-2291", "worn", [])
        assert (worn["rebuilt_at_count"], worn["accepted"]) == (118_010, None)
        assert (await story.seen())["last_setting"]["stands"] is False

        await story.prepare()
        accepted = await story.measure(count=118_013)
        assert told(accepted["state"]) == NORMAL
        assert recheck(accepted["state"], "bed-in")["due_at_count"] == 118_513
        assert (await story.seen())["clamping_set"]["accepted"]["entry"] == accepted["entry"]["sequence"]


async def test_a_rebuild_with_parts_of_the_kit_says_what_it_lacks(database_url: str) -> None:
    async with telling(database_url) as story:
        parts = [{"part": "Gripper Segment", "quantity": 5}, {"part": "O-Ring", "quantity": 1}]
        await story.tell("lot.received", {"sheet": "SKERROW-A", "quantity": 1}, of="lots/L-7")
        rebuilt = await story.rebuild(lot="L-7", parts=parts, segments_seated=5, reason="broken")
        assert told(rebuilt["state"]) == (("function_check", "withheld"), ["not_accepted", "rebuild_incomplete"])
        missing = (await story.seen())["clamping_set"]["missing"]
        assert missing == [
            "segments seated: 5, of 6",
            "gripper segment: 5, of 6",
            "spring sleeve: 0, of 1",
            "nose: 0, of 1",
        ]
        await story.prepare()
        assert (await story.measure())["verdict"]["reasons"] == ["rebuild_incomplete"]
        await story.rebuild()
        await story.prepare()
        assert told((await story.measure())["state"]) == NORMAL


@pytest.mark.parametrize("component", COMPONENTS)
async def test_a_replaced_component_ends_the_proof_of_the_setting(database_url: str, component: str) -> None:
    async with telling(database_url) as story:
        await story.measure()
        data = {"component": component, "lot": "S-77", "text": "found cracked", "count": 118_002}
        replaced = await story.tell("component.replaced", data)
        assert told(replaced["state"]) == NOT_ACCEPTED
        assert replaced["state"]["count"] == 118_002
        measured = await story.measure()
        if component in ("draw_bar", "nose"):
            assert measured["verdict"]["reasons"] == ["not_torqued"]
            await story.prepare()
            measured = await story.measure()
        assert told(measured["state"]) == NORMAL


async def test_the_nose_is_turned_as_told_until_it_conforms(database_url: str) -> None:
    async with telling(database_url) as story:
        wrong = await story.measure("11.50")
        assert (wrong["instruction"]["turn"], wrong["instruction"]["direction"]) == (q("24", "deg"), "out")
        for unclear in ({}, {"turn": q("24", "deg")}, {"direction": "out"}):
            assert await story.refused("nose.adjusted", dict(unclear)) == (422, "event_invalid")
        adjusted = await story.tell("nose.adjusted", {"turn": q("24.0", "deg"), "direction": "out", "count": 118_000})
        assert told(adjusted["state"]) == NOT_ACCEPTED
        assert (await story.measure("11.40"))["verdict"]["reasons"] == ["not_torqued"]
        await story.prepare()
        assert told((await story.measure("11.40"))["state"]) == NORMAL


async def test_a_shim_is_exchanged_as_told_until_it_conforms(database_url: str) -> None:
    by_shim = {"by": "shim", "step": mm("0.05"), "thicker": "reduces_depth"}
    async with telling(database_url, adjust=by_shim) as story:
        wrong = await story.measure("11.50")
        assert wrong["instruction"]["shim"] == {"change": mm("0.10"), "to": "thicker", "steps": 2}
        assert wrong["instruction"]["expected_depth"] == mm("11.40")
        both = {"turn": q("24", "deg"), "direction": "in", "shim": {"out": mm("1.50"), "in": mm("1.60")}}
        assert await story.refused("nose.adjusted", both) == (422, "event_invalid")
        adjusted = await story.tell("nose.adjusted", {"shim": {"out": mm("1.50"), "in": q("1600", "um")}})
        assert told(adjusted["state"]) == NOT_ACCEPTED
        await story.prepare()
        assert told((await story.measure("11.40"))["state"]) == NORMAL


@pytest.mark.parametrize(
    ("torque", "how", "codes"),
    [
        (q("39", "N.m"), "set", []),
        (q("28", "[lbf_av].[ft_i]"), "read", []),
        (q("39.01", "N.m"), "read", ["torque_out_of_limits"]),
        (q("25", "[lbf_av].[ft_i]"), "set", ["torque_out_of_limits"]),
    ],
    ids=["set at the maximum", "read within", "read above", "set below"],
)
async def test_a_torque_is_set_or_read(database_url: str, torque: Json, how: str, codes: list[str]) -> None:
    async with telling(database_url) as story:
        await story.rebuild()
        data = {"torque": torque, "how": how, "tool": "TW-11"}
        told_torque = await story.tell("nose.torqued", data)
        assert told(told_torque["state"]) == NOT_ACCEPTED
        await story.tell("clamp.exercised", {"cycles": 3})
        measured = await story.measure()
        assert measured["verdict"]["reasons"] == codes
        assert measured["verdict"]["basis"]["torque"] == told_torque["entry"]["sequence"]


async def test_a_torque_by_itself_ends_the_proof_of_the_setting(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.measure()
        assert (
            told((await story.tell("nose.torqued", {"torque": q("37", "N.m"), "how": "set"}))["state"]) == NOT_ACCEPTED
        )
        await story.tell("clamp.exercised", {"cycles": 3})
        assert told((await story.measure())["state"]) == NORMAL


async def test_running_in_by_hand_does_not_move_the_count(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.rebuild(count=118_010)
        await story.tell("nose.torqued", {"torque": q("37", "N.m"), "how": "set"})
        assert (await story.measure())["verdict"]["reasons"] == ["not_run_in"]
        assert (await story.tell("clamp.exercised", {"cycles": 2}))["state"]["count"] == 118_010
        assert (await story.measure())["verdict"]["reasons"] == ["not_run_in"]
        assert (await story.tell("clamp.exercised", {"cycles": 1}))["state"]["count"] == 118_010
        assert (await story.measure())["verdict"]["reasons"] == []


async def test_the_counter_runs_a_spindle_in_too(database_url: str) -> None:
    async with telling(database_url) as story:
        await story.rebuild()
        await story.tell("nose.torqued", {"torque": q("37", "N.m"), "how": "set", "count": 118_010})
        await story.count(118_012)
        assert (await story.measure())["verdict"]["reasons"] == ["not_run_in"]
        await story.count(118_013)
        assert (await story.measure())["verdict"]["reasons"] == []
