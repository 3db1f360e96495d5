"""Intervals of due times hold what came about as often as they say: the short form of `tests.bench.foresight`."""

import pytest

from service.clocks import Clocks
from service.demo.plant import make_plant
from tests.bench.foretold import Answered, ask, score, watched


@pytest.fixture(scope="module")
def answered() -> list[Answered]:
    return ask(watched(make_plant(21, spindles=24)), seed=21, asks=6, zones=Clocks().of("skerrow"))


@pytest.mark.parametrize(
    ("horizon", "lowest_80", "lowest_95", "miss_hours"),
    [("six hours", 0.7, 0.88, 2), ("a day", 0.7, 0.88, 6), ("a week", 0.68, 0.85, 48)],
)
def test_intervals_hold_what_came(
    answered: list[Answered], horizon: str, lowest_80: float, lowest_95: float, miss_hours: float
) -> None:
    """144 answers of one plant, which hang together: the bounds are wider than the four points of the report."""
    found = score(answered, horizon)
    assert found.asked >= 135
    assert lowest_80 <= found.in_80 <= 0.92
    assert lowest_95 <= found.in_95 <= 0.995
    assert found.miss < miss_hours
