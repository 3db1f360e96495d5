"""Kits that cover nine courses in ten of what may come, by the rebuilds of the past."""

import pytest

from service.domain.kits import kits_needed


def test_the_mean_is_that_of_the_negative_binomial_and_nine_in_ten_are_covered() -> None:
    """52 rebuilds in 52 weeks, six weeks ahead: mean 52.5 * 6 / 52; the 90 % quantile of NB(52.5, 52/58) is 9.

    Computed by us from P(k + 1) = P(k) (n + k) / (k + 1) (1 - p): P(K <= 8) = 0.8304, P(K <= 9) = 0.9007.
    """
    found = kits_needed(52, 52, 6, waiting=0)
    assert found.expected == pytest.approx(6.0577, abs=1e-4)
    assert found.needed == 9


def test_none_seen_in_a_short_time_still_may_come() -> None:
    assert kits_needed(0, 4, 6, waiting=0).needed >= 1
    assert kits_needed(0, 52, 6, waiting=0).needed == 0


def test_those_that_wait_need_theirs_in_any_case() -> None:
    assert kits_needed(0, 52, 6, waiting=3).needed == 3


@pytest.mark.parametrize(("rebuilds", "seen", "weeks"), [(1, 0, 6), (1, 52, 0), (-1, 52, 6)])
def test_nothing_seen_is_no_rate(rebuilds: int, seen: float, weeks: float) -> None:
    with pytest.raises(ValueError, match="weeks seen"):
        kits_needed(rebuilds, seen, weeks, waiting=0)
