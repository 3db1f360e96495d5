"""One slope through levels: against the plain line, against designed shifts, and what is left out."""

import numpy as np
import pytest

from service.domain.question import QuestionRefused
from service.domain.regression import fit_regression, meeting
from service.domain.wear_line import fit_levels, fitted

X = np.arange(12.0) * 1000
WIGGLE = np.array([1, -2, 2, 0, -1, 2, -2, 1, 0, -1, 1, -1]) / 1000
ONE = np.zeros(12)


def test_with_one_level_it_is_the_plain_line() -> None:
    y = 11.4 - X / 1e6 + WIGGLE
    plain, levels = fit_regression(X, y), fit_levels(X, y, ONE, 0.0)
    assert (levels.slope, levels.s, levels.dof) == pytest.approx((plain.slope, plain.s, plain.dof))
    for limit in (11.3, 11.35, 11.38):
        mine, theirs = meeting(levels, limit, 0.95), meeting(plain, limit, 0.95)
        assert (mine.at, mine.lower, mine.upper) == pytest.approx((theirs.at, theirs.lower, theirs.upper))


def test_a_shift_by_work_changes_no_slope() -> None:
    y = 11.4 - X / 1e6 + WIGGLE
    levels = np.repeat([0.0, 1.0], 6)
    still, moved = (fit_levels(X, y + shift * levels, levels, 0.0) for shift in (0.0, 0.05))
    assert moved.slope == pytest.approx(still.slope)
    assert moved.s == pytest.approx(still.s)
    assert moved.at(12_000) == pytest.approx(still.at(12_000) + 0.05)
    assert moved.dof == 12 - 2 - 1


def test_what_a_gauge_shares_widens_the_count_and_moves_nothing() -> None:
    line = fit_levels(X, 11.4 - X / 1e5 + WIGGLE, ONE, 0.0)
    narrow, wide = meeting(line, 11.2, 0.95), meeting(line, 11.2, 0.95, beside=0.005)
    assert narrow.at == wide.at
    assert narrow.lower is not None
    assert narrow.upper is not None
    assert wide.lower is not None
    assert wide.upper is not None
    assert wide.lower < narrow.lower < narrow.upper < wide.upper


def test_what_beds_in_and_what_stands_out_is_left_out() -> None:
    y = 11.4 - X / 1e6 + WIGGLE
    for place, why in ((0, "bed_in"), (7, "stands_out")):
        off = y.copy()
        off[place] += 0.03
        found = fitted(X, off, ONE, 0.001)
        assert found is not None
        assert found.left_out == {place: why}
    whole = fitted(X, y, ONE, 0.001)
    assert whole is not None
    assert whole.left_out == {}


def test_too_little_is_no_line() -> None:
    y = 11.4 - X / 1e6 + WIGGLE
    assert fitted(X[:3], y[:3], ONE[:3], 0.001) is None
    assert fitted(X, y, np.arange(12.0), 0.001) is None
    with pytest.raises(QuestionRefused):
        fit_levels(X[:2], y[:2], np.array([0.0, 1.0]), 0.001)
    with pytest.raises(QuestionRefused):
        fit_levels(np.ones(5), y[:5], np.zeros(5), 0.001)


def test_equal_values_are_believed_to_scatter_by_what_the_gauge_resolves() -> None:
    assert fit_levels(X, np.full(12, 11.4), ONE, 0.002).s == 0.002
