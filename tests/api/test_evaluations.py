"""Evaluations over HTTP: judged as a recorded measurement is, from numbers read as they were written, nothing kept."""

from typing import Any, Final

import pytest

from tests.checks.published import CHECKS
from tests.domain.skerrow import CALIBRATION, GAUGE, SHEET, guarded, mm, q, without
from tests.running import Json, Running, rows_of_every_table, running
from tests.story.day_one import story
from tests.story.day_one import without as but

SETTING: Final = "/v1/evaluations/setting"
CONFORMITY: Final = "/v1/evaluations/conformity"


def readings(first: str, second: str) -> list[Json]:
    return [{"angle": q(angle, "deg"), "depth": mm(depth)} for angle, depth in (("0", first), ("180", second))]


STATED: Final[Json] = {
    "sheet": without(SHEET, "revision", "valid_from"),
    "gauge": GAUGE | {"calibration": CALIBRATION},
}


async def ask(ledger: Running, path: str, **question: Any) -> Json:
    answer = await ledger.client.post(path, json=question)
    assert answer.status_code == 200, answer.text
    found: Json = answer.json()
    return found


async def test_a_setting_is_judged_as_recording_it_would_and_nothing_is_kept(database_url: str) -> None:
    async with running(database_url) as ledger:
        events = but(story(), "10", "11", "12", "13")
        receipt = (await ledger.record_all(events))[-1]
        before = await rows_of_every_table(database_url)
        data, time = events[-1]["data"], events[-1]["time"]
        answer = await ask(ledger, SETTING, readings=data["readings"], sheet="SKERROW-A", gauge="DG-03", at=time)
        assert await rows_of_every_table(database_url) == before
    recorded = receipt["verdict"]
    assert recorded["basis"].pop("torque") is not None
    assert answer["verdict"]["basis"].pop("torque") is None
    assert answer["verdict"] == recorded
    assert answer["instruction"] == receipt["instruction"]
    assert answer["instruction"]["turn"] == q("24", "deg")
    assert [each["member"] for each in answer["assumed"]] == [
        *("draw_bar", "gauge_zeroed", "torque", "run_in_cycles", "rebuild")
    ]
    assert "JCGM 106:2012" in answer["method"]


async def test_what_is_stated_in_the_question_is_enough(database_url: str) -> None:
    async with running(database_url) as ledger:
        stated = STATED | {"draw_bar": "released", "gauge_zeroed": True, "torque": q("37", "N.m"), "run_in_cycles": 3}
        out = await ask(ledger, SETTING, readings=readings("11.52", "11.48"), **stated)
        assert (out["verdict"]["outcome"], out["instruction"]["direction"]) == ("nonconforming", "out")
        assert [each["member"] for each in out["assumed"]] == ["at", "rebuild"]
        fits = await ask(ledger, SETTING, readings=readings("11.41", "11.39"), **stated)
        assert (fits["verdict"]["outcome"], fits["instruction"]) == ("conforming", None)


@pytest.mark.parametrize(
    ("said", "reasons"),
    [
        ({"draw_bar": "clamped"}, ["not_released"]),
        ({"gauge_zeroed": False}, ["gauge_not_zeroed"]),
        ({"torque": q("34.99", "N.m")}, ["torque_out_of_limits"]),
        ({"run_in_cycles": 2}, ["not_run_in"]),
        ({"torque": q("37", "N.m"), "run_in_cycles": 0}, ["not_run_in"]),
        ({"gauge": None}, ["gauge_unknown"]),
        ({"gauge": "DG-99"}, ["gauge_unknown"]),
        ({"gauge": GAUGE}, ["gauge_overdue"]),
        ({"gauge": GAUGE | {"calibration": CALIBRATION | {"due": "2020-01-01"}}}, ["gauge_overdue"]),
        ({"at": "2027-01-05T23:59:59.999999Z"}, []),
        ({"at": "2027-01-06T00:00:00Z"}, ["gauge_overdue"]),
        ({"at": "2027-01-06T00:30:00+01:00"}, []),
        ({"gauge": GAUGE | {"calibration": CALIBRATION | {"due": "9999-12-31"}}}, []),
        ({"readings": readings("11.44", "11.37")}, ["spread_too_wide"]),
        ({"readings": readings("11.44", "11.37")[:1]}, ["too_few_readings"]),
    ],
)
async def test_what_is_said_against_it_counts(database_url: str, said: Json, reasons: list[str]) -> None:
    async with running(database_url) as ledger:
        at = {"at": "2026-03-02T06:00:00Z"}
        answer = await ask(ledger, SETTING, **({"readings": readings("11.41", "11.39")} | STATED | at | said))
    assert answer["verdict"]["reasons"] == reasons
    assert answer["verdict"]["outcome"] == ("not_admissible" if reasons else "conforming")
    assert answer["instruction"] is None if not reasons else answer["instruction"]["then"][-1] == "Then measure again."


@pytest.mark.parametrize(
    ("said", "code", "pointer"),
    [
        ({"sheet": "NONE-SUCH"}, "sheet_unknown", "/sheet"),
        ({"sheet": without(STATED["sheet"], "setting_depth")}, "sheet_incomplete", "/sheet/setting_depth"),
        ({"sheet": without(STATED["sheet"], "decision_rule")}, "sheet_incomplete", "/sheet/decision_rule"),
        (
            {"sheet": STATED["sheet"] | {"setting_depth": "not_applicable"}},
            "check_not_applicable",
            "/sheet/setting_depth",
        ),
        ({"torque": mm("1")}, "evaluation_invalid", "/torque/unit"),
        ({"at": "2026-03-02T06:00:00"}, "time_invalid", "/at"),
        ({"readings": []}, "evaluation_invalid", "/readings"),
        ({"colour": "red"}, "evaluation_invalid", "/colour"),
        (
            {"gauge": GAUGE | {"calibration": CALIBRATION | {"correction": q("1", "N")}}},
            "evaluation_invalid",
            "/gauge/calibration",
        ),
    ],
)
async def test_what_cannot_be_judged_is_refused(database_url: str, said: Json, code: str, pointer: str) -> None:
    async with running(database_url) as ledger:
        answer = await ledger.client.post(SETTING, json={"readings": readings("11.41", "11.39")} | STATED | said)
        assert (answer.status_code, answer.json()["code"]) == (422, code), answer.text
        assert [error["pointer"] for error in answer.json()["errors"]] == [pointer]


async def test_a_value_on_the_limit_conforms_whether_text_or_number(database_url: str) -> None:
    """CF-23 (constructed from the rule): 10.57 and 10.63 against 10.60; binary floats say otherwise."""
    sheet = STATED["sheet"] | {
        "setting_depth": {"quantity": "depth", "nominal": mm("10.55"), "lower": mm("-0.05"), "upper": mm("0.05")},
        "reading_spread_max": mm("0.1"),
    }
    bodies = [
        '{"angle":{"value":0,"unit":"deg"},"depth":{"value":10.57,"unit":"mm"}}',
        '{"angle":{"value":180,"unit":"deg"},"depth":{"value":10.63,"unit":"mm"}}',
    ]
    async with running(database_url) as ledger:
        texts = await ask(ledger, SETTING, readings=readings("10.57", "10.63"), **(STATED | {"sheet": sheet}))
        request = ledger.client.build_request("POST", SETTING, json=STATED | {"sheet": sheet, "readings": "HERE"})
        body = request.content.decode().replace('"HERE"', f"[{','.join(bodies)}]")
        answer = await ledger.client.post(SETTING, content=body, headers={"Content-Type": "application/json"})
    assert answer.json()["verdict"]["mean"] == texts["verdict"]["mean"] == mm("10.60")
    assert answer.json()["verdict"]["outcome"] == texts["verdict"]["outcome"] == "conforming"


async def conformity(ledger: Running, body: str) -> Json:
    answer = await ledger.client.post(CONFORMITY, content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == 200, answer.text
    found: Json = answer.json()
    return found


async def test_published_probabilities_of_conformity_come_out(database_url: str) -> None:
    """CF-01 (JCGM 106:2012, 7.3.3) and CF-03 (7.4), each with the risk of accepting it."""
    async with running(database_url) as ledger:
        for name in ("CF-01", "CF-03"):
            given, expected = CHECKS[name]["inputs"], CHECKS[name]["expected"]["p_c"]
            lower = f'"lower":{given["T_L"]},' if "T_L" in given else ""
            answer = await conformity(
                ledger,
                f'{{"y":{given["y"]},"u":{given["u"]},{lower}"upper":{given["T_U"]},"rule":{{"name":"simple"}}}}',
            )
            assert float(answer["probability_of_conformity"]) == pytest.approx(expected, abs=0.005)
            risk = float(answer["consumer_risk"]) + float(answer["probability_of_conformity"])
            assert risk == pytest.approx(1, abs=1e-9)
            assert answer["outcome"] == "conforming"
            assert answer["acceptance"]["upper"] == str(given["T_U"])
            assert "JCGM 106:2012" in answer["method"]


@pytest.mark.parametrize(
    ("y", "outcome"),
    [
        ("0.3", "conforming"),
        ("0.30000000000001", "undecided"),
        ("0.5", "undecided"),
        ("0.500000000000001", "nonconforming"),
    ],
)
async def test_numbers_are_read_exactly_as_written(database_url: str, y: str, outcome: str) -> None:
    """Limit 0.4, guard band 2 x 0.05 = 0.1: accepted to 0.3 exactly, rejected beyond 0.5."""
    rule = '"rule":{"name":"guarded","guard_factor":2}'
    async with running(database_url) as ledger:
        answer = await conformity(ledger, f'{{"y":{y},"u":0.05,"upper":4e-1,{rule}}}')
        assert (answer["outcome"], answer["acceptance"]) == (outcome, {"lower": None, "upper": "0.30"})
        quoted = await conformity(ledger, f'{{"y":"{y}","u":"0.05","upper":"0.4",{rule}}}')
        assert quoted["outcome"] == outcome


async def test_quantities_of_one_kind_may_come_in_several_units(database_url: str) -> None:
    async with running(database_url) as ledger:
        mixed = await ask(
            ledger,
            CONFORMITY,
            y=mm("10.6"),
            u=q("5", "um"),
            lower=q("0.4", "[in_i]"),
            upper=mm("10.61"),
            rule={"name": "guarded", "guard_factor": "1.65"},
        )
        assert (mixed["outcome"], mixed["acceptance"]["upper"]) == ("conforming", mm("10.60175"))
        assert float(mixed["acceptance"]["lower"]["value"]) == pytest.approx(10.16 + 0.00825)
        assert mixed["acceptance"]["lower"]["unit"] == "mm"
        warm = {name: q(value, "Cel") for name, value in (("y", "21"), ("u", "0.5"), ("upper", "22"))}
        same = await ask(ledger, CONFORMITY, **warm, rule={"name": "simple"})
        assert same["acceptance"] == {"lower": None, "upper": q("22", "Cel")}


async def test_bands_wider_than_the_limits_leave_nothing_to_accept(database_url: str) -> None:
    async with running(database_url) as ledger:
        rule = guarded("2") | {"edition": "ISO 14253-1:2017"}
        answer = await ask(ledger, CONFORMITY, y=1, u=1, lower=0, upper=2, rule=rule)
        assert (answer["outcome"], answer["acceptance"]) == ("undecided", {"lower": "2", "upper": "0"})
        certain = await ask(ledger, CONFORMITY, y=1, u=0, lower=0, upper=2, rule=rule)
        assert (certain["outcome"], certain["consumer_risk"]) == ("conforming", "0.000000")


@pytest.mark.parametrize(
    ("said", "pointer"),
    [
        ('"upper":1', "/u"),
        ('"u":1', "/lower"),
        ('"u":-1,"upper":1', "/u"),
        ('"u":1,"lower":2,"upper":1', "/lower"),
        ('"u":NaN,"upper":1', ""),
        ('"u":"NaN","upper":1', "/u"),
        ('"u":"1_0","upper":1', "/u"),
        ('"u":1e999999,"upper":1', "/u"),
        ('"u":"1 ","upper":1', "/u"),
        ('"u":true,"upper":1', "/u"),
        ('"u":[1],"upper":1', "/u"),
        ('"u":{"value":"1","unit":"mm"},"upper":1', "/u"),
        ('"u":{"value":"1","unit":"µm"},"upper":1', "/u"),
        ('"u":{"value":"1"},"upper":1', "/u"),
        ('"u":1,"upper":1,"mean":1', "/mean"),
        ('"u":null,"upper":1', "/u"),
    ],
)
async def test_a_question_without_an_answer_is_refused_with_its_place(
    database_url: str, said: str, pointer: str
) -> None:
    async with running(database_url) as ledger:
        body = f'{{"y":1,{said},"rule":{{"name":"simple"}}}}'
        answer = await ledger.client.post(
            CONFORMITY, content=body.encode(), headers={"Content-Type": "application/json"}
        )
        assert 400 <= answer.status_code < 500, answer.text
        assert [error["pointer"] for error in answer.json()["errors"]] == [pointer]


@pytest.mark.parametrize(
    "rule",
    [
        {"name": "guarded"},
        {"name": "guarded", "guard_factor": -1},
        {"name": "guarded", "guard_factor": mm("1")},
        {"name": "simple", "guard_factor": "x"},
    ],
)
async def test_a_rule_that_cannot_be_followed_is_refused(database_url: str, rule: Json) -> None:
    async with running(database_url) as ledger:
        answer = await ledger.client.post(CONFORMITY, json={"y": 1, "u": 1, "upper": 2, "rule": rule})
        assert answer.status_code == 422
        assert [error["pointer"] for error in answer.json()["errors"]] == ["/rule/guard_factor"]
