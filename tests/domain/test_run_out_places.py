"""Which run-out stands where: one for each place and distance, however the distance is written."""

from typing import Any

import pytest

from tests.domain.one_spindle import Spindle
from tests.domain.skerrow import mm, q

LIMITS: list[dict[str, Any]] = [
    {"place": "arbor", "distance": mm("0"), "limit": q("6", "um")},
    {"place": "arbor", "distance": mm("300"), "limit": q("15", "um")},
]


def standing(spindle: Spindle) -> list[tuple[str, str]]:
    return [(each.verdict.run_out.value, each.verdict.outcome) for each in spindle.state.run_outs]


@pytest.mark.parametrize("distance", [mm("0"), mm("0.000"), q("0", "um")], ids=["0 mm", "0.000 mm", "0 um"])
def test_a_run_out_measured_again_at_the_same_spot_takes_the_place_of_the_earlier(distance: dict[str, str]) -> None:
    spindle = Spindle(run_out=LIMITS)
    spindle.run_out("7", place="arbor", distance=mm("0"))
    assert spindle.reasons() == ["run_out_nonconforming", "never_proven"]
    spindle.run_out("5", place="arbor", distance=distance)
    assert standing(spindle) == [("0.005", "conforming")]
    assert spindle.reasons() == ["never_proven"]


def test_a_run_out_at_another_distance_stands_beside_it() -> None:
    spindle = Spindle(run_out=LIMITS)
    spindle.run_out("7", place="arbor", distance=mm("0"))
    spindle.run_out("9", place="arbor", distance=mm("300"))
    assert standing(spindle) == [("0.007", "nonconforming"), ("0.009", "conforming")]
