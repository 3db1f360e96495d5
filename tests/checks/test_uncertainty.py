"""Budgets, tilt, shifts, units and turns against published and constructed check values."""

from decimal import Decimal
from math import cos, radians

import pytest

from service.domain.quantity import convert
from service.domain.setting import estimate_depth
from service.domain.turn import thread_turn
from service.domain.uncertainty import Expanded, from_resolution, measurement_budget, thermal
from service.domain.verdict import MeasuredDepth, depth_shift
from tests.checks.published import CHECKS
from tests.domain import skerrow


def dec(value: float | str) -> Decimal:
    return Decimal(str(value))


def test_gu_06_resolution() -> None:
    """JCGM 100:2008, F.2.2.1; found."""
    check = CHECKS["GU-06"]
    found = from_resolution(dec(check["inputs"]["dx"]))
    assert float(found) == pytest.approx(check["expected"]["u"], abs=check["tolerance"])


def test_gu_07_a_common_calibration_is_not_reduced_by_averaging() -> None:
    """JCGM 100:2008, 5.2.2 note 1; found. Ten resistors against one standard: 10 x 0.1, not sqrt(10) x 0.1."""
    check = CHECKS["GU-07"]
    n, each = check["inputs"]["n"], dec(check["inputs"]["u_each"])
    mean = measurement_budget(
        repeatability=Decimal(0),
        resolution=Decimal(0),
        weight_squares=1 / Decimal(n),
        calibration=Expanded(U=each, k=Decimal(1)),
        correction_stated=True,
        zeroing_included=True,
    )
    assert float(mean.u * n) == pytest.approx(check["expected"]["correct"], abs=check["tolerance"]["correct"])


def test_gu_10_budget_of_two_opposed_readings() -> None:
    """Constructed; rules from JCGM 100:2008, H.1.3.2, 4.3.7, 5.2.2, F.2.2.1."""
    given, want = CHECKS["GU-10"]["inputs"], CHECKS["GU-10"]["expected"]
    budget = measurement_budget(
        repeatability=dec(given["s_repeat"]),
        resolution=dec(given["resolution"]),
        weight_squares=1 / dec(given["n"]),
        calibration=Expanded(U=dec(given["U_cal"]), k=dec(given["k_cal"])),
        correction_stated=True,
        zeroing_included=True,
        master=Expanded(U=dec(given["U_master"]), k=dec(given["k_master"])),
        temperature=thermal(dec(given["length"]), dec(given["alpha"]), dec(given["dT_halfwidth"])),
    )
    found = {component.source: float(component.u) for component in budget.components}
    assert found == pytest.approx(
        {
            "repeatability": want["u_repeat"],
            "resolution": want["u_resolution"],
            "calibration": want["u_cal"],
            "master": want["u_master"],
            "temperature": want["u_thermal"],
        },
        abs=CHECKS["GU-10"]["tolerance"],
    )
    assert float(budget.u) == pytest.approx(want["uc"], abs=CHECKS["GU-10"]["tolerance"])
    assert float(budget.expanded) == pytest.approx(want["U"], abs=CHECKS["GU-10"]["tolerance"])
    assert budget.unstated == ()


def test_gu_12_opposed_readings_cancel_tilt() -> None:
    """Identity, constructed: the mean is the depth, half the difference shows the tilt along that diameter."""
    check = CHECKS["GU-12"]
    given, want = check["inputs"], check["expected"]
    for phase, mean, half in zip(given["phase_deg"], want["mean"], want["half_difference"], strict=True):
        tilt = [f"{given['d0'] + given['amplitude'] * cos(radians(angle - phase)):.12f}" for angle in (0, 180)]
        found = estimate_depth(skerrow.opposed(*tilt))
        assert found.half_difference is not None
        assert float(found.total / found.divisor) == pytest.approx(mean, abs=check["tolerance"])
        assert float(found.half_difference / found.divisor) == pytest.approx(half, abs=check["tolerance"])


def test_gu_14_a_shift_seen_with_one_gauge() -> None:
    """Constructed; correlation rule JCGM 100:2008, 5.2.2: what is common to both measurements cancels."""
    check = CHECKS["GU-14"]
    given, want, within = check["inputs"], check["expected"], check["tolerance"]
    gauge = skerrow.gauge(resolution=skerrow.mm(str(given["resolution"])), repeatability=skerrow.mm("0.004"))
    before, after = (
        skerrow.judged(skerrow.opposed(f"{depth}", f"{depth}"), by=gauge).depth
        for depth in (given["check1"], given["check2"])
    )
    shift = depth_shift(before, after)
    assert shift is not None
    assert shift.moved
    difference, u = Decimal(shift.difference.value), Decimal(shift.u.value)
    assert float(-difference) == pytest.approx(want["difference"], abs=within["difference"])
    assert float(u) == pytest.approx(want["u_difference"], abs=within["u_difference"])
    assert float(-difference / u) == pytest.approx(want["ratio"], abs=within["ratio"])


def test_gu_14_with_two_zeroings_of_their_own() -> None:
    """The same check's note: zeroing as separate terms gives u_d 8.54 um and a ratio of 2.34."""
    gauge = skerrow.gauge(zeroing={"master": {"expanded_uncertainty": skerrow.mm("0.002"), "k": "2"}})
    before, after = (skerrow.judged(skerrow.opposed(depth, depth), by=gauge).depth for depth in ("10.52", "10.50"))
    shift = depth_shift(before, after)
    assert shift is not None
    assert float(shift.u.value) * 1000 == pytest.approx(8.54, abs=0.005)
    assert float(shift.difference.value) / float(shift.u.value) == pytest.approx(-2.34, abs=0.005)


@pytest.mark.parametrize(
    ("unit", "target", "pair", "exact"),
    [
        ("[lbf_av]", "N", "lbf->N", "4.4482216152605"),
        ("[lbf_av].[ft_i]", "N.m", "lbf ft->N m", "1.3558179483314004"),
        ("[lbf_av].[in_i]", "N.m", "lbf in->N m", "0.1129848290276167"),
        ("[psi]", "bar", "psi->bar", "0.06894757293168361"),
        ("[in_i]", "mm", "in->mm", "25.4"),
    ],
)
def test_un_01_unit_factors(unit: str, target: str, pair: str, exact: str) -> None:
    """NIST SP 811, Appendix B.8 (seven digits, found in secondary tables); exact chain from the definitions.

    The pascal and the kilogram-force are not among the units taken.
    """
    check = CHECKS["UN-01"]
    printed = check["expected"]["f"][check["inputs"]["pairs"].index(pair)]
    found = convert(Decimal(1), unit, target)
    assert float(found) == pytest.approx(printed, abs=check["tolerance"]["f"])
    assert float(found) == pytest.approx(printed, rel=5e-7)
    assert found == pytest.approx(Decimal(exact), abs=Decimal("1e-15"))


def test_un_05_depth_is_lead_times_turns() -> None:
    """Geometry, constructed."""
    check = CHECKS["UN-05"]
    assert len(check["inputs"]["cases"]) == 4
    for (thread, depth), degrees in zip(check["inputs"]["cases"], check["expected"]["degrees"], strict=True):
        pitch = dec(thread.partition("x")[2])
        nominal = MeasuredDepth(total_mm=Decimal("10.5"), divisor=1, gauge=None, u_own_mm=None)
        found = thread_turn(Decimal("10.5") - dec(depth), nominal, pitch)
        assert float(found) == pytest.approx(degrees, abs=check["tolerance"])
        two_starts = thread_turn(Decimal("10.5") - dec(depth), nominal, 2 * pitch)
        assert float(two_starts) == pytest.approx(degrees / 2, abs=check["tolerance"])
