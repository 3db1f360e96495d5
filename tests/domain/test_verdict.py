"""Verdicts: the first day's numbers, doubt that is not stated, draw force, run-out, and shifts."""

from decimal import Decimal
from typing import Any

import msgspec
import pytest

from service.domain.gauge import Gauge
from service.domain.quantity import ShownQuantity
from service.domain.refusal import Refusal
from service.domain.sheet import Revision
from service.domain.turn import advise_setting
from service.domain.verdict import (
    ForceVerdict,
    RunOutVerdict,
    SettingVerdict,
    depth_shift,
    judge_draw_force,
    judge_run_out,
    judge_setting,
)
from tests.domain import skerrow
from tests.domain.skerrow import MEASURED_AT, judged, measured, opposed, revision


def mm(value: str) -> ShownQuantity:
    return ShownQuantity(value=value, unit="mm")


def newton(value: str) -> ShownQuantity:
    return ShownQuantity(value=value, unit="N")


def test_the_first_measurement_of_the_first_day() -> None:
    verdict = judged(opposed("11.52", "11.48"))
    assert (verdict.mean, verdict.deviation, verdict.half_difference) == (mm("11.50"), mm("0.10"), mm("0.02"))
    assert (verdict.outcome, verdict.admissible, verdict.outside) == ("nonconforming", True, True)
    assert (verdict.limits.lower, verdict.limits.upper) == (mm("11.35"), mm("11.45"))
    assert verdict.acceptance is None
    assert verdict.probability_of_conformity == "0.000000"
    assert (verdict.rule.name, verdict.rule.edition) == ("simple", "JCGM 106:2012")
    basis = verdict.basis
    assert (basis.sheet_revision, basis.sheet_sequence, basis.gauge_sequence) == (1, 1, 2)
    assert (basis.calibration, basis.torque) == (2, 4)


def test_the_second_measurement_of_the_first_day() -> None:
    verdict = judged(opposed("11.41", "11.39"))
    assert (verdict.mean, verdict.deviation, verdict.half_difference) == (mm("11.40"), mm("0.00"), mm("0.01"))
    assert (verdict.outcome, verdict.outside) == ("conforming", False)
    assert verdict.uncertainty is not None
    assert {line.source: line.u.value for line in verdict.uncertainty.budget} == {
        "repeatability": "0.00282843",
        "resolution": "0.00204124",
        "calibration": "0.003",
    }
    assert (verdict.uncertainty.u, verdict.uncertainty.U) == (mm("0.00460072"), mm("0.00920145"))
    assert (verdict.uncertainty.k, verdict.uncertainty.unstated) == ("2", ("temperature",))


def test_zeroing_on_a_master_is_a_term_of_its_own() -> None:
    """The zeroing alone makes u 6.75 um (sqrt(0.004^2 + 0.01^2/12) beside the rest); the master adds U/k."""
    master = {"expanded_uncertainty": skerrow.mm("0"), "k": "2"}
    uncertainty = judged(opposed("11.41", "11.39"), by=skerrow.gauge(zeroing={"master": master})).uncertainty
    assert uncertainty is not None
    assert float(uncertainty.u.value) * 1000 == pytest.approx(6.75, abs=0.006)
    master = {"expanded_uncertainty": skerrow.mm("0.002"), "k": "2"}
    uncertainty = judged(opposed("11.41", "11.39"), by=skerrow.gauge(zeroing={"master": master})).uncertainty
    assert uncertainty is not None
    assert [line.u.value for line in uncertainty.budget if line.source == "master"] == ["0.001"]


def test_what_is_not_stated_is_named() -> None:
    bare = skerrow.gauge("resolution", "zeroing", calibration=skerrow.without(skerrow.CALIBRATION, "correction"))
    uncertainty = judged(opposed("11.41", "11.39"), by=bare).uncertainty
    assert uncertainty is not None
    assert uncertainty.unstated == ("resolution", "zeroing", "temperature", "correction")


@pytest.mark.parametrize(
    ("depths", "simple"), [(("11.41", "11.39"), "conforming"), (("11.52", "11.48"), "nonconforming")]
)
def test_without_repeatability_simple_stands_and_guarded_is_undecided(depths: tuple[str, str], simple: str) -> None:
    unknown = skerrow.gauge("repeatability")
    stands = judged(opposed(*depths), by=unknown)
    assert (stands.outcome, stands.uncertainty, stands.probability_of_conformity) == (simple, None, None)
    assert judged(opposed(*depths), revision(decision_rule=skerrow.guarded()), unknown).outcome == "undecided"


@pytest.mark.parametrize(
    ("depth", "outcome"),
    [
        ("11.40", "conforming"),
        ("11.442", "conforming"),
        ("11.443", "undecided"),
        ("11.457", "undecided"),
        ("11.458", "nonconforming"),
    ],
)
def test_a_guarded_rule_keeps_a_band_of_its_factor_times_u(depth: str, outcome: str) -> None:
    """1.65 x 4.60072 um = 7.5912 um on either side of 11.45."""
    verdict = judged(opposed(depth, depth), revision(decision_rule=skerrow.guarded("1.65")))
    assert verdict.outcome == outcome
    assert verdict.acceptance is not None
    assert verdict.acceptance.upper is not None
    band_mm = 1.65 * (0.004**2 / 2 + 0.01**2 / 24 + 0.003**2) ** 0.5
    assert float(verdict.acceptance.upper.value) == pytest.approx(11.45 - band_mm, abs=1e-9)


def test_a_gauge_is_capable_up_to_the_stated_uncertainty() -> None:
    def verdict(uncertainty_max: str) -> SettingVerdict:
        rule = skerrow.SHEET["decision_rule"] | {"uncertainty_max": skerrow.mm(uncertainty_max)}
        return judged(opposed("11.52", "11.48"), revision(decision_rule=rule))

    assert verdict("0.009202").reasons == ()
    calibrated_only = skerrow.gauge(repeatability=skerrow.mm("0"), resolution=skerrow.mm("0"))
    rule = skerrow.SHEET["decision_rule"] | {"uncertainty_max": skerrow.mm("0.006")}
    assert judged(opposed("11.41", "11.39"), revision(decision_rule=rule), calibrated_only).reasons == ()
    refused = verdict("0.009201")
    assert (refused.outcome, refused.admissible, refused.reasons, refused.outside) == (
        "not_admissible",
        False,
        ("gauge_not_capable",),
        True,
    )


def test_an_inadmissible_measurement_still_says_where_the_depth_is() -> None:
    verdict = judge_setting(
        opposed("11.52", "11.48", gauge_zeroed=False),
        at=MEASURED_AT,
        revision=revision(),
        gauge=None,
        reasons=("gauge_not_zeroed", "not_released"),
        torque_sequence=None,
    )
    assert (verdict.outcome, verdict.admissible, verdict.outside) == ("not_admissible", False, True)
    assert verdict.reasons == ("not_released", "gauge_not_zeroed")
    assert (verdict.mean, verdict.uncertainty, verdict.basis.gauge_sequence) == (mm("11.50"), None, None)


def test_a_gauge_of_another_kind_lends_neither_correction_nor_budget() -> None:
    verdict = judged(opposed("11.41", "11.39"), by=skerrow.force_gauge("3"))
    assert (verdict.mean, verdict.uncertainty) == (mm("11.40"), None)


def test_the_correction_moves_the_depth_that_is_judged() -> None:
    corrected = skerrow.gauge(calibration=skerrow.CALIBRATION | {"correction": skerrow.q("-2", "um")})
    verdict = judged(opposed("11.451", "11.451"), by=corrected)
    assert (verdict.mean, verdict.outcome) == (mm("11.449"), "conforming")


def test_a_mean_that_does_not_end_is_shown_with_nine_decimals_and_judged_exactly() -> None:
    on_limit = judged(measured(("0", "11.45"), ("120", "11.45"), ("240", "11.45")))
    assert (on_limit.mean, on_limit.outcome) == (mm("11.45"), "conforming")
    beyond = judged(measured(("0", "11.45"), ("120", "11.45"), ("240", "11.4500000000001")))
    assert (beyond.mean, beyond.deviation, beyond.outcome) == (mm("11.450000000"), mm("0.050000000"), "nonconforming")
    assert beyond.half_difference is None


def test_readings_in_inches_are_judged_exactly_in_millimetres() -> None:
    inches = [{"angle": skerrow.q(angle, "deg"), "depth": skerrow.q("0.4507", "[in_i]")} for angle in ("0", "180")]
    verdict = judged(measured(readings=inches))
    assert (verdict.mean, verdict.outcome) == (mm("11.44778"), "conforming")


@pytest.mark.parametrize("member", ["setting_depth", "decision_rule"])
def test_a_sheet_without_limits_or_rule_is_refused_by_name(member: str) -> None:
    with pytest.raises(Refusal) as refused:
        judged(opposed("11.41", "11.39"), revision(member))
    assert (refused.value.code, member in refused.value.detail) == ("sheet_incomplete", True)


def force(
    *pulls: str, sheet: Revision | None = None, gauge: Gauge | None = None, reasons: tuple[str, ...] = ()
) -> ForceVerdict:
    return judge_draw_force(
        skerrow.pulled(*pulls),
        at=MEASURED_AT,
        revision=sheet or revision(),
        gauge=gauge or skerrow.force_gauge(),
        reasons=reasons,
    )


def draw_force(**changes: Any) -> Revision:
    return revision(draw_force=skerrow.SHEET["draw_force"] | changes)


@pytest.mark.parametrize(
    ("pulls", "value", "outcome", "low", "below_minimum"),
    [
        (("30", "21.0", "20.5"), "20750", "conforming", False, False),
        (("30", "18.5", "18.5"), "18500", "conforming", False, False),
        (("30", "18.5", "18.499"), "18499.5", "conforming", True, False),
        (("30", "16.5", "16.5"), "16500", "conforming", True, False),
        (("30", "16.5", "16.499"), "16499.5", "nonconforming", False, True),
    ],
)
def test_draw_force_against_warning_and_minimum(
    pulls: tuple[str, ...], value: str, outcome: str, low: bool, below_minimum: bool
) -> None:
    verdict = force(*pulls)
    assert Decimal(verdict.force.value) == Decimal(value)
    assert (verdict.outcome, verdict.low, verdict.below_minimum) == (outcome, low, below_minimum)
    assert (verdict.judged, verdict.kept, verdict.force.unit) == ("mean", 2, "N")


def test_draw_force_may_be_judged_by_its_lowest_pull_and_has_a_maximum() -> None:
    assert force("10", "21", "16.4", sheet=draw_force(judge="lowest")).below_minimum
    assert not force("10", "21", "16.4").below_minimum
    above = force("21", "24.1", "24.1", sheet=draw_force(maximum=skerrow.q("24", "kN")))
    assert (above.outcome, above.outside, above.below_minimum, above.low) == ("nonconforming", True, False, False)
    kept = force("16.4", "21", "21", sheet=draw_force(discard_first=False, judge="lowest"))
    assert (kept.kept, kept.below_minimum) == (3, True)


def test_draw_force_in_doubt_under_a_guarded_rule() -> None:
    """u = sqrt(60^2/2 + 10^2/24 + 100^2) = 108.65 N; the band of 1.65 u around 16.5 kN is 179.3 N."""
    sheet = revision(decision_rule=skerrow.guarded("1.65"))
    found = [force("20", value, value, sheet=sheet) for value in ("16.32", "16.33", "16.67", "16.68")]
    assert [verdict.outcome for verdict in found] == ["nonconforming", "undecided", "undecided", "conforming"]
    assert [verdict.below_minimum for verdict in found] == [True, True, False, False]
    assert found[0].uncertainty is not None
    assert found[0].uncertainty.u == newton("108.647")


def test_an_inadmissible_draw_force_still_warns() -> None:
    verdict = force("16", "16", "16", reasons=("not_clamped",))
    assert (verdict.outcome, verdict.below_minimum) == ("not_admissible", True)


def run_out(value: str, **changes: Any) -> RunOutVerdict:
    return judge_run_out(
        skerrow.run_out(value, **changes),
        at=MEASURED_AT,
        revision=revision(),
        gauge=skerrow.gauge(kind="run_out"),
        reasons=(),
    )


def test_run_out_against_its_limit() -> None:
    assert [run_out(value).outcome for value in ("5.9", "6", "6.001")] == ["conforming", "conforming", "nonconforming"]
    reversed_arbor = run_out("4", reversed_run_out=skerrow.q("7", "um"))
    assert (reversed_arbor.run_out, reversed_arbor.outcome) == (mm("0.007"), "nonconforming")
    uncertainty = run_out("4").uncertainty
    assert uncertainty is not None
    assert uncertainty.unstated == ("temperature",)


def test_a_shift_is_told_from_the_gauge_s_own_doubt() -> None:
    """2 u_d is 9.8658 um with this gauge."""
    start = judged(opposed("11.40", "11.40")).depth
    for moved_to, moved in (("11.4098", False), ("11.4099", True), ("11.3902", False), ("11.3901", True)):
        shift = depth_shift(start, judged(opposed(moved_to, moved_to)).depth)
        assert shift is not None
        assert shift.moved is moved
        assert Decimal(shift.difference.value) == Decimal(moved_to) - Decimal("11.40")


def test_no_shift_is_told_across_gauges_or_without_a_stated_doubt() -> None:
    start = judged(opposed("11.40", "11.40")).depth
    assert depth_shift(start, judged(opposed("11.50", "11.50", gauge="DG-04")).depth) is None
    assert depth_shift(start, judged(opposed("11.50", "11.50"), by=skerrow.gauge("repeatability")).depth) is None


def test_a_calibration_in_between_brings_its_own_doubt_back() -> None:
    before = judged(opposed("11.40", "11.40")).depth
    after = judged(opposed("11.411", "11.411")).depth
    recalibrated = msgspec.structs.replace(after, calibration=9)
    same, other = depth_shift(before, after), depth_shift(before, recalibrated)
    assert same is not None
    assert other is not None
    assert (same.moved, other.moved) == (True, False)
    assert float(other.u.value) == pytest.approx((2 * 0.00460072**2) ** 0.5, rel=1e-5)


def test_verdicts_survive_being_stored() -> None:
    for verdict in (
        judged(opposed("11.41", "11.39"), revision(decision_rule=skerrow.guarded())),
        judged(measured(("0", "11.4"), ("100", "11.4"), ("230", "11.41"))),
        force("21", "21", "21"),
        run_out("4"),
    ):
        assert msgspec.json.decode(msgspec.json.encode(verdict), type=type(verdict)) == verdict


LARGEST, SMALLEST = "999999999999999", "0.000000000000001"


@pytest.mark.parametrize("angles", [("0", "180"), ("0", "120", "240"), (LARGEST, "95", "200", "290")])
@pytest.mark.parametrize("depth", [LARGEST, SMALLEST, f"-{LARGEST}"])
@pytest.mark.parametrize("tiny", [SMALLEST, "0"])
def test_the_largest_and_smallest_numbers_that_are_taken_are_judged(
    angles: tuple[str, ...], depth: str, tiny: str
) -> None:
    gauge = skerrow.gauge(
        repeatability=skerrow.mm(tiny),
        resolution=skerrow.q(tiny, "um"),
        calibration=skerrow.CALIBRATION
        | {"expanded_uncertainty": skerrow.mm(tiny), "k": LARGEST, "correction": skerrow.q(SMALLEST, "um")},
    )
    sheet = revision(
        decision_rule=skerrow.guarded(f"{LARGEST}.{SMALLEST[2:]}"),
        adjust=skerrow.THREAD | {"pitch": skerrow.mm(SMALLEST), "starts": 8},
    )
    data = measured(*((angle, depth) for angle in angles[:-1]), (angles[-1], "11.4"))
    verdict = judged(data, sheet, gauge)
    assert verdict.outside
    assert verdict.probability_of_conformity == "0.000000"
    instruction = advise_setting(verdict, revision=sheet, at_recheck=False)
    assert instruction is not None
    assert instruction.turn is None, "so many turns are a slip, never an instruction"
    assert msgspec.json.decode(msgspec.json.encode(verdict), type=SettingVerdict) == verdict
