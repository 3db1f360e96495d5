"""Instructions: the eight turns from geometry, shims, what the sheet lacks, and what is never suggested."""

import re
from decimal import Decimal
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.finding import REASONS
from service.domain.quantity import ShownQuantity
from service.domain.turn import CAUTIONS, FIND_OUT_FIRST, Instruction, advise_setting, cure_reasons
from tests.domain import skerrow
from tests.domain.skerrow import THREAD, advised, judged, measured, opposed, q, revision


def mm(value: str) -> ShownQuantity:
    return ShownQuantity(value=value, unit="mm")


def thread(**changes: Any) -> dict[str, Any]:
    return THREAD | changes


TOO_DEEP, TOO_SHALLOW = opposed("11.52", "11.48"), opposed("11.32", "11.28")


def test_the_instruction_of_the_first_day() -> None:
    instruction = advised(TOO_DEEP, revision())
    assert instruction.turn == ShownQuantity(value="24", unit="deg")
    assert (instruction.direction, instruction.rotation_from_front) == ("out", "counterclockwise")
    assert instruction.expected_depth == mm("11.40")
    words = ("loosen", "turn", "torque 37 N.m", "run in 3 cycles", "measure again")
    assert len(instruction.then) == len(words)
    assert all(word in sentence for word, sentence in zip(words, instruction.then, strict=True))
    assert (instruction.cautions, instruction.missing, instruction.first) == (CAUTIONS, (), None)


@pytest.mark.parametrize(
    ("hand", "turning_in", "depth", "direction", "rotation"),
    [
        ("right", "increases_depth", "too deep", "out", "counterclockwise"),
        ("right", "increases_depth", "too shallow", "in", "clockwise"),
        ("right", "reduces_depth", "too deep", "in", "clockwise"),
        ("right", "reduces_depth", "too shallow", "out", "counterclockwise"),
        ("left", "increases_depth", "too deep", "out", "clockwise"),
        ("left", "increases_depth", "too shallow", "in", "counterclockwise"),
        ("left", "reduces_depth", "too deep", "in", "counterclockwise"),
        ("left", "reduces_depth", "too shallow", "out", "clockwise"),
    ],
)
def test_the_eight_turns(hand: str, turning_in: str, depth: str, direction: str, rotation: str) -> None:
    data = TOO_DEEP if depth == "too deep" else TOO_SHALLOW
    instruction = advised(data, revision(adjust=thread(hand=hand, turning_in=turning_in)))
    assert (instruction.direction, instruction.rotation_from_front) == (direction, rotation)
    assert instruction.turn == ShownQuantity(value="24", unit="deg")


hundredths = st.integers(-300, 300).filter(lambda value: abs(value) > 5)


@settings(max_examples=60, deadline=None)
@given(
    off=hundredths,
    hand=st.sampled_from(["right", "left"]),
    turning_in=st.sampled_from(["increases_depth", "reduces_depth"]),
    pitch=st.sampled_from(["1", "1.5", "2", "3.5"]),
    starts=st.integers(1, 3),
)
def test_a_screw_turned_as_told_ends_at_the_expected_depth(
    off: int, hand: str, turning_in: str, pitch: str, starts: int
) -> None:
    """Geometry on its own: seen from the front, a right-hand screw turned counterclockwise comes out by its lead."""
    depth = str(Decimal("11.40") + Decimal(off) / 100)
    adjust = thread(hand=hand, turning_in=turning_in, pitch=skerrow.mm(pitch), starts=starts)
    instruction = advised(opposed(depth, depth), revision(adjust=adjust))
    assert instruction.turn is not None
    assert instruction.expected_depth is not None
    counterclockwise = 1 if instruction.rotation_from_front == "counterclockwise" else -1
    advance_out = float(instruction.turn.value) / 360 * float(pitch) * starts * counterclockwise
    advance_out *= 1 if hand == "right" else -1
    assert (advance_out > 0) == (instruction.direction == "out")
    deeper = -advance_out if turning_in == "increases_depth" else advance_out
    within = 0.05 / 360 * float(pitch) * starts + 1e-9
    assert float(depth) + deeper == pytest.approx(float(instruction.expected_depth.value), abs=within)


def test_a_turn_is_shown_to_a_tenth_of_a_degree() -> None:
    instruction = advised(opposed("11.47", "11.47"), revision(adjust=thread(pitch=skerrow.mm("2"))))
    assert instruction.turn == ShownQuantity(value="12.6", unit="deg")
    thirds = advised(measured(("0", "11.50"), ("120", "11.50"), ("240", "11.51")), revision())
    assert thirds.turn == ShownQuantity(value="24.8", unit="deg")
    assert thirds.expected_depth == mm("11.40")


def test_the_sheet_s_target_is_aimed_at_else_the_middle_of_the_limits() -> None:
    lopsided = skerrow.SHEET["setting_depth"] | {"lower": skerrow.mm("-0.02"), "upper": skerrow.mm("0.05")}
    assert advised(TOO_DEEP, revision(setting_depth=lopsided)).expected_depth == mm("11.415")
    aimed = lopsided | {"target": skerrow.mm("11.41")}
    assert advised(TOO_DEEP, revision(setting_depth=aimed)).expected_depth == mm("11.41")


def test_a_conforming_or_inadmissible_setting_gets_no_turn() -> None:
    conforming = judged(opposed("11.41", "11.39"))
    refused = msgspec.structs.replace(judged(TOO_DEEP), outcome="not_admissible", admissible=False)
    for verdict in (conforming, refused):
        assert advise_setting(verdict, revision=revision(), at_recheck=False) is None


def test_at_a_recheck_the_first_thing_is_to_find_out_why() -> None:
    adjusts: list[dict[str, Any]] = [THREAD, {"by": "none"}, thread(hand=None)]
    for adjust in adjusts:
        assert advised(TOO_DEEP, revision(adjust=adjust), at_recheck=True).first == FIND_OUT_FIRST
    assert "find out why the depth moved" in FIND_OUT_FIRST


@pytest.mark.parametrize(
    ("absent", "changes", "missing"),
    [
        (("adjust",), {}, ("adjust",)),
        ((), {"adjust": skerrow.without(THREAD, "pitch")}, ("adjust.pitch",)),
        ((), {"adjust": skerrow.without(THREAD, "starts", "hand")}, ("adjust.starts", "adjust.hand")),
        ((), {"adjust": skerrow.without(THREAD, "turning_in")}, ("adjust.turning_in",)),
        (("nose_torque",), {}, ("nose_torque.nominal",)),
        ((), {"nose_torque": {"maximum": q("39", "N.m")}}, ("nose_torque.nominal",)),
        ((), {"nose_torque": {"nominal": q("40", "N.m"), "maximum": q("39", "N.m")}}, ("nose_torque.nominal",)),
        ((), {"adjust": {"by": "shim"}}, ("adjust.step", "adjust.thicker")),
    ],
)
def test_advice_is_refused_by_name_where_the_sheet_lacks_what_it_needs(
    absent: tuple[str, ...], changes: dict[str, Any], missing: tuple[str, ...]
) -> None:
    instruction = advised(TOO_DEEP, revision(*absent, **changes))
    assert instruction.missing == missing
    assert (instruction.turn, instruction.direction, instruction.shim, instruction.expected_depth) == (None,) * 4
    assert all(name in instruction.then[0] for name in missing)
    assert instruction.cautions == CAUTIONS


def test_a_sheet_to_which_torque_does_not_apply_is_not_asked_for_it() -> None:
    instruction = advised(TOO_DEEP, revision(nose_torque="not_applicable", run_in_cycles="not_applicable"))
    assert instruction.turn == ShownQuantity(value="24", unit="deg")
    assert len(instruction.then) == 3


def shim(step: str, thicker: str) -> dict[str, Any]:
    return {"by": "shim", "step": skerrow.mm(step), "thicker": thicker}


@pytest.mark.parametrize(
    ("step", "thicker", "depth", "change", "to", "steps", "expected"),
    [
        ("0.05", "increases_depth", "11.50", "0.10", "thinner", 2, "11.40"),
        ("0.05", "reduces_depth", "11.50", "0.10", "thicker", 2, "11.40"),
        ("0.03", "increases_depth", "11.30", "0.09", "thicker", 3, "11.39"),
        ("0.04", "reduces_depth", "11.30", "0.12", "thinner", 3, "11.42"),
    ],
)
def test_a_shim_is_changed_in_whole_steps(
    step: str, thicker: str, depth: str, change: str, to: str, steps: int, expected: str
) -> None:
    instruction = advised(opposed(depth, depth), revision(adjust=shim(step, thicker)))
    assert instruction.shim is not None
    assert (instruction.shim.change, instruction.shim.to, instruction.shim.steps) == (mm(change), to, steps)
    assert instruction.expected_depth == mm(expected)
    assert instruction.turn is None
    assert f"{change} mm {to}" in instruction.then[1]


def test_a_depth_that_cannot_be_adjusted_means_replacing_or_sending_away() -> None:
    instruction = advised(TOO_DEEP, revision("nose_torque", adjust={"by": "none"}))
    assert (instruction.turn, instruction.missing, len(instruction.then)) == (None, (), 1)
    assert re.search("replace .* or send", instruction.then[0], re.IGNORECASE)


def test_undecided_gets_a_turn_where_turning_helps_and_a_better_gauge_where_it_does_not() -> None:
    near_limit = advised(opposed("11.448", "11.448"), revision(decision_rule=skerrow.guarded()))
    assert near_limit.turn == ShownQuantity(value="11.5", unit="deg")
    strict = revision(decision_rule=skerrow.guarded("20"))
    for instruction in (
        advised(opposed("11.40", "11.40"), strict),
        advised(
            opposed("11.41", "11.41"),
            revision(decision_rule=skerrow.guarded("20"), adjust=shim("0.05", "reduces_depth")),
        ),
        _without_repeatability(),
    ):
        assert (instruction.turn, instruction.shim, instruction.missing) == (None, None, ())
        assert "gauge" in instruction.then[0]


def _without_repeatability() -> Instruction:
    rule = revision(decision_rule=skerrow.guarded())
    verdict = judged(opposed("11.41", "11.41"), rule, skerrow.gauge("repeatability"))
    instruction = advise_setting(verdict, revision=rule, at_recheck=False)
    assert instruction is not None
    return instruction


@pytest.mark.parametrize("code", REASONS)
def test_every_reason_has_a_cure_and_ends_in_measuring_again(code: str) -> None:
    cure = cure_reasons((code,), revision=revision())
    assert len(cure) == 2
    assert cure[0][0].isupper()
    assert cure[0].endswith(".")
    assert "measure again" in cure[1]


def test_cures_name_the_sheet_s_torque_and_cycles_and_never_a_torque_above_its_maximum() -> None:
    cure = cure_reasons(("torque_out_of_limits",), revision=revision())[0]
    assert "37 N.m" in cure
    assert "3 cycles" in cure
    assert "3 cycles" in cure_reasons(("not_run_in",), revision=revision())[0]
    contradicting = revision(nose_torque={"nominal": q("40", "N.m"), "maximum": q("39", "N.m")})
    assert "40" not in cure_reasons(("not_torqued",), revision=contradicting)[0]
    assert cure_reasons((), revision=revision()) == ()


def test_the_cautions_speak_of_all_that_can_harm() -> None:
    text = " ".join(CAUTIONS).lower()
    for word in (
        "site's procedure",
        "maker's instructions",
        "spring stack",
        "release stroke",
        "gravity axes",
        "magazine",
    ):
        assert word in text
    for word in ("local rules", "qualified people"):
        assert word in text


@pytest.mark.parametrize("depth", ["920.00", "0.00", "19.00"])
def test_a_slip_of_the_pen_never_becomes_a_turn(depth: str) -> None:
    instruction = advised(opposed(depth, depth), revision())
    assert (instruction.turn, instruction.direction, instruction.expected_depth) == (None, None, None)
    assert "check the readings, their unit and the gauge's zero" in instruction.then[0]
    assert instruction.cautions
