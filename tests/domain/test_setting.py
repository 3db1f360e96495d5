"""The depth from its readings: opposed, at 120 degrees, on one diameter, at odd angles, and laws of all of them."""

from decimal import Decimal
from math import cos, radians, sin

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.setting import DepthEstimate, estimate_depth
from tests.domain.skerrow import measured, opposed

LAW = settings(max_examples=40, deadline=None)
hundredths = st.integers(900, 1300).map(lambda value: Decimal(value) / 100)


def depth_of(estimate: DepthEstimate) -> Decimal:
    return estimate.total / estimate.divisor


def on_a_tilted_face(y: float, a: float, b: float, *angles: float) -> list[tuple[str, str]]:
    return [(str(angle), f"{y + a * cos(radians(angle)) + b * sin(radians(angle)):.13f}") for angle in angles]


def test_two_opposed_readings_give_their_mean_and_half_their_difference() -> None:
    found = estimate_depth(opposed("11.52", "11.48"))
    assert (found.total, found.divisor, found.half_difference) == (Decimal("23.00"), 2, Decimal("0.04"))
    assert (found.opposed, found.exact, found.spread) == (True, True, Decimal("0.04"))
    assert found == estimate_depth(measured(("180", "11.48"), ("0", "11.52"))), "whichever was read first"


@pytest.mark.parametrize(
    ("angles", "is_opposed"),
    [
        (("0", "180"), True),
        (("0", "175"), True),
        (("0", "185"), True),
        (("-90", "90"), True),
        (("352.5", "172.5"), True),
        (("0", "174.9"), False),
        (("0", "185.1"), False),
        (("0", "150"), False),
        (("0", "0"), False),
        (("0", "120", "240"), True),
        (("0", "90", "180"), True),
        (("0", "45", "90"), False),
        (("0", "0", "180"), True),
        (("0",), False),
    ],
)
def test_which_readings_count_as_opposed(angles: tuple[str, ...], is_opposed: bool) -> None:
    assert estimate_depth(measured(*((angle, "11.40") for angle in angles))).opposed is is_opposed


def test_three_readings_at_120_degrees_are_averaged_exactly() -> None:
    found = estimate_depth(measured(("0", "10.00"), ("120", "10.00"), ("240", "10.01")))
    assert (found.total, found.divisor, found.exact) == (Decimal("30.01"), 3, True)
    assert float(found.weight_squares) == pytest.approx(1 / 3)
    tilted = estimate_depth(measured(*on_a_tilted_face(10.5, 0.03, -0.02, 15, 135, 255)))
    assert float(depth_of(tilted)) == pytest.approx(10.5, abs=1e-12)


def test_readings_on_one_diameter_give_half_the_sum_of_the_means_at_its_ends() -> None:
    found = estimate_depth(measured(("0", "11.50"), ("0", "11.54"), ("180", "11.48")))
    assert depth_of(found) == Decimal("11.50")
    assert found.half_difference is not None
    assert found.half_difference / found.divisor == Decimal("0.02")
    assert float(found.weight_squares) == pytest.approx(0.25 * (1 / 2 + 1))
    repeated = estimate_depth(measured(("0", "11.52"), ("180", "11.48"), ("0", "11.52"), ("180", "11.48")))
    assert (depth_of(repeated), float(repeated.weight_squares)) == (Decimal("11.50"), 0.25)


def test_odd_angles_are_fitted_by_least_squares() -> None:
    found = estimate_depth(measured(*on_a_tilted_face(10.5, 0.03, -0.02, 10, 95, 200, 290)))
    assert float(depth_of(found)) == pytest.approx(10.5, abs=1e-12)
    assert (found.exact, found.half_difference) == (False, None)


def test_the_doubt_of_a_fit_follows_from_its_angles() -> None:
    """At 0, 90 and 180 degrees y is half the sum of the ends: the middle reading carries nothing."""
    found = estimate_depth(measured(("0", "11.50"), ("90", "12.00"), ("180", "11.40")))
    assert depth_of(found) == Decimal("11.45")
    assert float(found.weight_squares) == pytest.approx(0.5)


def test_the_correction_is_added_to_each_reading() -> None:
    plain, corrected = (estimate_depth(opposed("11.52", "11.48"), Decimal(c)) for c in ("0", "0.003"))
    assert depth_of(corrected) - depth_of(plain) == Decimal("0.003")
    assert (corrected.spread, corrected.half_difference) == (plain.spread, plain.half_difference)


@LAW
@given(y=hundredths, tilt=hundredths, start=st.integers(-720, 720))
def test_opposed_readings_cancel_tilt_exactly(y: Decimal, tilt: Decimal, start: int) -> None:
    found = estimate_depth(measured((str(start), str(y + tilt)), (str(start + 180), str(y - tilt))))
    assert depth_of(found) == y
    assert found.half_difference is not None
    assert abs(found.half_difference / found.divisor) == tilt


surrounding = st.tuples(
    st.integers(0, 40), st.integers(120, 160), st.integers(240, 280), st.integers(0, 359), st.integers(0, 359)
)


@LAW
@given(angles=surrounding, depth=hundredths, tilt=st.integers(-50, 50), turned=st.integers(0, 359))
def test_a_fit_recovers_the_depth_whatever_the_tilt_and_wherever_zero_is(
    angles: tuple[int, ...], depth: Decimal, tilt: int, turned: int
) -> None:
    readings = on_a_tilted_face(float(depth), 0.04, 0.001 * tilt, *angles)
    found = estimate_depth(measured(*((str(int(angle) + turned), value) for angle, value in readings)))
    assert float(depth_of(found)) == pytest.approx(float(depth), abs=1e-9)
    assert 1 / len(angles) - 1e-12 <= float(found.weight_squares) <= 1
