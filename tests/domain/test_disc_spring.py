"""Disc springs: energy is the force summed up, flats keep the force at three quarters, a broken one costs its share."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.disc_spring import Disc, Stack, with_one_broken

A50 = Disc(outer=50, inner=25.4, thickness=3, height=1.1, modulus=206_000, poisson=0.3)
SOFT = Disc(outer=50, inner=25.4, thickness=1.25, height=2.2, modulus=206_000, poisson=0.3)
"""A cone so high beside its thickness (1.76) that the force falls again before the disc is flat."""


def test_energy_is_the_force_summed_up() -> None:
    for disc in (A50, SOFT, _flats(8, 7.5)):
        steps = [disc.travel * place / 2000 for place in range(2001)]
        summed = sum((disc.force(a) + disc.force(b)) / 2 * (b - a) for a, b in pairwise(steps))
        assert disc.energy(disc.travel) == pytest.approx(summed, rel=1e-6)


def test_the_rate_is_how_the_force_grows() -> None:
    for disc in (A50, SOFT, _flats(8, 7.5)):
        for share in (0.1, 0.5, 0.9):
            s = share * disc.travel
            slope = (disc.force(s + 1e-6) - disc.force(s - 1e-6)) / 2e-6
            assert disc.rate(s) == pytest.approx(slope, rel=1e-6)
    assert SOFT.rate(0.7 * SOFT.travel) < 0 < A50.rate(A50.travel)


def _flats(thickness: float, reduced: float | None) -> Disc:
    return Disc(outer=125, inner=64, thickness=thickness, height=2.6, modulus=206_000, poisson=0.3, reduced=reduced)


def test_contact_flats_keep_the_force_at_three_quarters() -> None:
    """What K4 is for: the thinner disc pulls as the whole one does there. DIN 2093, A 125 (from memory): 85 900 N."""
    s = 0.75 * 2.6
    assert _flats(8, 7.5).force(s) == pytest.approx(_flats(8, None).force(s), rel=1e-9)
    assert _flats(8, 7.5).force(s) == pytest.approx(85_900, rel=0.003)
    assert _flats(8, 8).k4 == pytest.approx(1)
    assert _flats(8, 7.5).travel == pytest.approx(3.1)


def test_stresses_of_a_disc_of_the_table() -> None:
    """DIN 2093, A 50 (from memory): largest tension about 1430 N/mm2, at edge II. OM is compressed."""
    stresses = A50.stresses(0.825)
    assert stresses["II"] == pytest.approx(1430, rel=0.01)
    assert max(stresses.values()) == stresses["II"]
    assert stresses["OM"] < 0 > stresses["I"]


@settings(deadline=None)
@given(scale=st.floats(0.1, 50), share=st.floats(0.05, 1))
def test_a_disc_twice_as_large_pulls_four_times_as_much(scale: float, share: float) -> None:
    larger = Disc(
        outer=50 * scale, inner=25.4 * scale, thickness=3 * scale, height=1.1 * scale, modulus=206_000, poisson=0.3
    )
    s = share * A50.travel
    assert larger.force(s * scale) == pytest.approx(A50.force(s) * scale**2, rel=1e-9)
    assert larger.energy(s * scale) == pytest.approx(A50.energy(s) * scale**3, rel=1e-9)


@settings(deadline=None)
@given(
    parallel=st.integers(1, 6),
    series=st.integers(1, 40),
    share=st.floats(0.05, 1),
    disc=st.sampled_from([A50, SOFT]),
)
def test_a_broken_disc_leaves_the_stack_in_balance(parallel: int, series: int, share: float, disc: Disc) -> None:
    """The other packets give back what the broken one gives way, and pull alike with it unless it lies flat."""
    stack, s = Stack(disc=disc, parallel=parallel, series=series), share * disc.travel
    broken = with_one_broken(stack, s)
    assert broken.force >= 0
    if series == 1:
        assert broken.force == pytest.approx((parallel - 1) * disc.force(s))
        return
    assert s - 1e-9 <= broken.deflection <= disc.travel + 1e-9
    rest = max((stack.travel(s) - broken.deflection) / (series - 1), 0)
    assert broken.force == pytest.approx(parallel * disc.force(rest), rel=1e-9)
    held = (parallel - 1) * disc.force(broken.deflection)
    if not broken.flat:
        assert held == pytest.approx(broken.force, rel=1e-6)
    if disc is A50:
        assert broken.force <= stack.force(s) * (1 + 1e-12)
        assert broken.loss == pytest.approx(1 - broken.force / stack.force(s), abs=1e-12)


def test_the_longer_the_stack_the_less_one_disc_costs() -> None:
    losses = [with_one_broken(Stack(disc=A50, parallel=2, series=series), 0.6).loss for series in (2, 5, 10, 30, 100)]
    assert losses == sorted(losses, reverse=True)
    assert with_one_broken(Stack(disc=A50, parallel=3, series=1), 0.6).loss == pytest.approx(1 / 3)


def test_a_stack_of_discs_with_flats_is_as_long_as_they_are() -> None:
    stack = Stack(disc=_flats(8, 7.5), parallel=2, series=10)
    assert stack.length == pytest.approx(10 * (10.6 + 7.5))
    assert stack.energy(1) == pytest.approx(20 * _flats(8, 7.5).energy(1))
