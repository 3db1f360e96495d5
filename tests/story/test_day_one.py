"""Day one, posted through HTTP, is answered step by step as its expected answers say; so is every variant of it.

The expected answers were derived by hand from the contract; every value is invented for the Skerrow scenario.
"""

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest

from tests.running import Json, running
from tests.story.day_one import ENDED, MOVED, SPINDLE, counter_read, mm, moved, q, story, without


def reasons(state: Json) -> list[str]:
    return [reason["code"] for reason in state["reasons"]]


def recheck(state: Json, code: str) -> Json:
    (found,) = [each for each in state["rechecks"] if each["recheck"] == code]
    return dict(found)


async def test_every_step_is_answered_as_expected(database_url: str) -> None:
    async with running(database_url) as ledger:
        events = list(story().values())
        receipts = dict(zip(story(), await ledger.record_all(events), strict=True))
        assert [receipt["status"] for receipt in receipts.values()] == ["accepted"] * 13
        assert [receipts[number]["entry"]["sequence"] for number in ("01", "02", "03", "04")] == [1, 1, 2, 1]
        first, rebuilt, adjusted = receipts["04"], receipts["06"], receipts["10"]

        assert [each["recheck"] for each in first["opened"]] == ["force-quarterly"]
        assert (first["opened"][0]["due_at"], first["opened"][0]["due_at_count"]) == (
            moved("2026-04-06T06:00:00Z"),
            168_000,
        )
        assert (first["state"]["health"], first["state"]["clearance"]) == ("function_check", "restricted")
        assert reasons(first["state"]) == ["never_proven"]

        assert (rebuilt["state"]["health"], rebuilt["state"]["clearance"]) == ("function_check", "withheld")
        assert reasons(rebuilt["state"]) == ["not_accepted"]
        assert recheck(rebuilt["state"], "force-quarterly") == first["opened"][0]
        assert (rebuilt["opened"], rebuilt["closed"]) == ([], [])

        assert reasons(adjusted["state"]) == ["not_accepted"]
        assert adjusted["state"]["health"] == "function_check"
        assert await ledger.notices("recheck.due", "recheck.overdue", "recheck.opened") == []
        assert await ledger.notices("setting.rejected") == ["setting.rejected"]


async def test_the_first_measurement_is_rejected_with_the_turn_it_needs(database_url: str) -> None:
    async with running(database_url) as ledger:
        receipt = (await ledger.record_all(without(story(), "10", "11", "12", "13")))[-1]
    verdict, instruction = receipt["verdict"], receipt["instruction"]
    assert receipt["entry"]["sequence"] == 6
    assert (verdict["mean"], verdict["deviation"], verdict["half_difference"]) == (mm("11.50"), mm("0.10"), mm("0.02"))
    assert (verdict["admissible"], verdict["outcome"], verdict["reasons"]) == (True, "nonconforming", [])
    assert (instruction["turn"], instruction["direction"]) == (q("24", "deg"), "out")
    assert instruction["rotation_from_front"] == "counterclockwise"
    assert instruction["expected_depth"] == mm("11.40")
    assert len(instruction["then"]) == 5
    for said, wanted in zip(
        instruction["then"], ("loosen", "turn", "torque", "run in 3", "measure again"), strict=True
    ):
        assert wanted in said.lower()
    assert "37 N.m" in instruction["then"][2]
    assert instruction["cautions"]
    assert receipt["opened"] == []
    assert (receipt["state"]["health"], receipt["state"]["clearance"]) == ("out_of_specification", "withheld")
    assert reasons(receipt["state"])[0] == "setting_nonconforming"


async def test_the_last_measurement_is_accepted_with_its_uncertainty(database_url: str) -> None:
    async with running(database_url) as ledger:
        receipt = (await ledger.record_all(story().values()))[-1]
        shown = await ledger.spindle()
    verdict, state = receipt["verdict"], receipt["state"]
    assert (verdict["mean"], verdict["deviation"], verdict["half_difference"]) == (mm("11.40"), mm("0.00"), mm("0.01"))
    assert (verdict["admissible"], verdict["outcome"], receipt["instruction"]) == (True, "conforming", None)
    (opened,) = receipt["opened"]
    assert (opened["recheck"], opened["state"], opened["due_at_count"]) == ("bed-in", "waiting", 118_710)
    assert (state["health"], state["reasons"], state["clearance"]) == ("normal", [], "cleared")

    uncertainty = verdict["uncertainty"]
    budget = {part["source"]: part["u"] for part in uncertainty["budget"]}
    assert {source: micrometres(u) for source, u in budget.items()} == {
        "repeatability": "2.82843",
        "resolution": "2.04124",
        "calibration": "3",
    }
    assert (micrometres(uncertainty["u"]), micrometres(uncertainty["U"])) == ("4.60072", "9.20145")
    assert (uncertainty["k"], uncertainty["unstated"]) == ("2", ["temperature"])
    assert verdict["rule"] == {"name": "simple", "edition": "JCGM 106:2012"}
    assert float(verdict["probability_of_conformity"]) > 0.999
    assert (shown["health"], shown["clearance"], shown["count"], shown["sequence"]) == (
        "normal",
        "cleared",
        118_210,
        10,
    )
    assert shown["last_setting"]["entry"] == 10


def micrometres(length: Json) -> str:
    """A length in micrometres, as digits without superfluous zeros."""
    factor = {"mm": Decimal(1000), "um": Decimal(1)}[length["unit"]]
    return f"{(Decimal(length['value']) * factor).normalize():f}"


async def test_the_counter_opens_the_window_and_makes_it_due_and_overdue_at_the_exact_counts(
    database_url: str,
) -> None:
    steps: list[tuple[int, str, str, list[str]]] = [
        (118_659, "waiting", "cleared", []),
        (118_660, "open", "cleared", ["recheck.opened"]),
        (118_709, "open", "cleared", []),
        (118_710, "due", "cleared", ["recheck.due"]),
        (118_960, "due", "cleared", []),
        (118_961, "overdue", "restricted", ["recheck.overdue"]),
    ]
    watched = ("recheck.opened", "recheck.due", "recheck.overdue")
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        told: list[str] = []
        for hours, (count, state, clearance, notices) in enumerate(steps, start=1):
            receipt = await ledger.record(counter_read(ENDED + timedelta(hours=hours), count))
            told += notices
            assert recheck(receipt["state"], "bed-in")["state"] == state, count
            assert receipt["state"]["clearance"] == clearance
            assert receipt["state"]["health"] == ("normal" if state in ("waiting", "open") else "maintenance_required")
            assert await ledger.notices(*watched) == told, count
        assert [reason["code"] for reason in (await ledger.spindle())["reasons"]] == ["recheck_overdue"]


Change = Callable[[dict[str, Json]], Any]
VARIANTS: dict[str, tuple[Change, list[str]]] = {
    "not run in": (lambda told: told.pop("12"), ["not_run_in"]),
    "not torqued": (lambda told: told.pop("11"), ["not_torqued"]),
    "gauge not zeroed": (lambda told: told["13"]["data"].update(gauge_zeroed=False), ["gauge_not_zeroed"]),
    "draw bar clamped": (lambda told: told["13"]["data"].update(draw_bar="clamped"), ["not_released"]),
    "angles 0 and 150": (
        lambda told: told["13"]["data"]["readings"][1].update(angle=q("150", "deg")),
        ["readings_not_opposed"],
    ),
    "11.45 and 11.35": (
        lambda told: [
            reading.update(depth=mm(depth))
            for reading, depth in zip(told["13"]["data"]["readings"], ("11.45", "11.35"), strict=True)
        ],
        ["spread_too_wide"],
    ),
    "torque 34.9 N.m": (
        lambda told: told["11"]["data"].update(torque=q("34.9", "N.m")),
        ["torque_out_of_limits"],
    ),
    "five segments seated": (lambda told: told["06"]["data"].update(segments_seated=5), ["rebuild_incomplete"]),
}


@pytest.mark.parametrize("variant", VARIANTS)
async def test_a_variant_is_not_admissible_for_exactly_its_reason(database_url: str, variant: str) -> None:
    change, codes = VARIANTS[variant]
    told = story()
    change(told)
    async with running(database_url) as ledger:
        receipt = (await ledger.record_all(told.values()))[-1]
        stored = (await ledger.client.get(f"/v1/spindles/{SPINDLE}/measurements")).json()["items"][-1]
    verdict = receipt["verdict"]
    assert (verdict["outcome"], verdict["admissible"], verdict["reasons"]) == ("not_admissible", False, codes)
    assert "turn" not in receipt["instruction"] or receipt["instruction"]["turn"] is None
    assert len(receipt["instruction"]["then"]) == 2, "the cure of its one reason, and to measure again"
    assert receipt["opened"] == receipt["closed"] == []
    assert receipt["state"]["clearance"] == "withheld"
    assert "not_accepted" in reasons(receipt["state"])
    assert (stored["outcome"], stored["verdict"]["reasons"]) == ("not_admissible", codes)


@pytest.mark.parametrize(("days", "codes"), [(0, []), (1, ["gauge_overdue"])])
async def test_a_gauge_is_in_calibration_until_its_due_day_has_ended(
    database_url: str, days: int, codes: list[str]
) -> None:
    """The story is moved so far back that its last measurement, 308 days later, is past."""
    by = MOVED - timedelta(days=309)
    told = story(by=by)
    due_day = told["03"]["data"]["due"]
    told["13"]["time"] = f"{due_day}T23:59:59Z" if not days else moved(f"{due_day}T00:00:00Z", timedelta(days=1))
    del told["13"]["data"]["count"]
    async with running(database_url) as ledger:
        receipt = (await ledger.record_all(told.values()))[-1]
    assert receipt["verdict"]["reasons"] == codes


async def test_outside_and_not_admissible_warns_and_opens_a_repeat_check(database_url: str) -> None:
    told = story()
    told["14"] = told["13"] | {
        "id": "day-one-14",
        "time": moved("2026-03-02T07:00:00Z"),
        "data": told["09"]["data"] | {"gauge_zeroed": False},
    }
    async with running(database_url) as ledger:
        receipt = (await ledger.record_all(told.values()))[-1]
    assert (receipt["verdict"]["admissible"], receipt["verdict"]["reasons"]) == (False, ["gauge_not_zeroed"])
    assert (receipt["state"]["health"], receipt["state"]["clearance"]) == ("function_check", "restricted")
    assert reasons(receipt["state"]) == ["unproven_out"]
    assert [(each["recheck"], each["state"]) for each in receipt["opened"]] == [("repeat-check", "open")]
    assert recheck(receipt["state"], "bed-in")["state"] == "waiting"


@pytest.mark.parametrize("depth", [("11.52", "11.48"), ("11.32", "11.28")], ids=["too deep", "too shallow"])
@pytest.mark.parametrize("turning_in", ["increases_depth", "reduces_depth"])
@pytest.mark.parametrize("hand", ["right", "left"])
async def test_the_eight_turns(database_url: str, hand: str, turning_in: str, depth: tuple[str, str]) -> None:
    """In is away from the front; a right-hand thread goes in clockwise, seen from the front."""
    told = story()
    told["01"]["data"]["adjust"].update(hand=hand, turning_in=turning_in)
    for reading, value in zip(told["09"]["data"]["readings"], depth, strict=True):
        reading["depth"] = mm(value)
    too_deep = depth[0] == "11.52"
    inwards = too_deep == (turning_in == "reduces_depth")
    clockwise = inwards == (hand == "right")
    async with running(database_url) as ledger:
        instruction = (await ledger.record_all(without(told, "10", "11", "12", "13")))[-1]["instruction"]
    assert instruction["turn"] == q("24", "deg")
    assert instruction["direction"] == ("in" if inwards else "out")
    assert instruction["rotation_from_front"] == ("clockwise" if clockwise else "counterclockwise")
