"""Steps of the draw force: found once, told from scatter, wear and dryness, and from what one broken disc takes."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import msgspec
import numpy as np
import pytest

from service.domain.announce import changes, standing
from service.domain.disc_spring import Disc, Stack, with_one_broken
from service.domain.force_filter import follow
from service.domain.force_step import KEPT, ForcePoint, ForceStep, ForceTrack, H, K, moved, taken
from service.domain.run_length import cusum_run_length
from service.domain.spindle import SpindleState
from service.domain.spring_loss import deflection_at, loss_of_one, stack_of
from tests.domain.one_spindle import Spindle, accepted
from tests.domain.skerrow import mm
from tests.domain.test_announce import seen, types

BEGIN = datetime(2026, 1, 5, tzinfo=UTC)
DISC = Disc(outer=40, inner=20.4, thickness=2.5, height=1, modulus=206_000, poisson=0.3)
STACK = Stack(disc=DISC, parallel=2, series=30)
SPRINGS = {"De": mm("40"), "Di": mm("20.4"), "t": mm("2.5"), "h0": mm("1"), "parallel": 2, "series": 30}


def point(entry: int, force: float, *, every: float = 30, a_day: int = 500, **said: object) -> ForcePoint:
    """One measurement of many at equal intervals, greased every 30,000 cycles where nothing else is said."""
    count = round(entry * every * a_day)
    told = {"dry": count % 30_000, "u": 90.0, "level": 0} | said
    return msgspec.convert(
        {"entry": entry, "time": BEGIN + timedelta(days=every * entry), "count": count, "force": force} | told,
        ForcePoint,
    )


def steps(points: list[ForcePoint], stack: Stack | None = STACK) -> list[ForceStep]:
    found, track = [], ForceTrack()
    for each in points:
        before, track = track.step, taken(track, each, stack)
        if track.step is not None and track.step is not before:
            found.append(track.step)
    return found


def forces(n: int, seed: int, *, noise: float = 90, dry: float = 800) -> list[float]:
    """As the plant's: wear, dryness since greasing, scatter."""
    random = np.random.default_rng(seed)
    counts = np.arange(n) * 15_000.0
    true = 21_000 - 0.012 * counts - dry * (1 - np.exp(-(counts % 30_000) / 25_000))
    return [float(each) for each in true + random.normal(0, noise, n)]


def test_nothing_happens_where_nothing_does() -> None:
    """Forty spindles of a year of monthly checks: by run lengths 1.7 of 480 checks would signal."""
    alarms = [len(steps([point(i, each) for i, each in enumerate(forces(12, seed))])) for seed in range(40)]
    assert sum(alarms) <= 4


@pytest.mark.parametrize("at", [4, 6, 9])
def test_a_break_is_found_within_two_checks_and_once(at: int) -> None:
    found_in_time = 0
    for seed in range(20):
        told = steps([point(i, each - (1100 if i >= at else 0)) for i, each in enumerate(forces(14, seed))])
        sudden = [each for each in told if each.kind != "slow"]
        assert len(sudden) <= 2
        found_in_time += any(each.entry in (at, at + 1) for each in sudden)
        for each in sudden:
            assert each.before < each.began <= each.entry
    assert found_in_time >= 14


def test_a_step_says_what_it_is() -> None:
    steady = [21_000.0, 20_950, 21_040, 20_980, 21_010, 20_990]
    cases = ((20_150.0, STACK, "disc_spring"), (16_000.0, STACK, "sudden"), (20_150.0, None, "sudden"))
    reasons = []
    for force, stack, kind in cases:
        (found,) = steps([point(i, each, a_day=10) for i, each in enumerate([*steady, force])], stack)
        assert (found.kind, found.entry, found.began, found.before) == (kind, 6, 6, 5)
        assert found.size == pytest.approx(21_000 - force, abs=3 * found.u)
        reasons.append(found.reason)
    assert reasons == ["fits_one_disc", "more_than_one_disc", "stack_not_stated"]


def test_what_comes_bit_by_bit_since_greasing_is_slow_and_told_once() -> None:
    """Weekly, never greased after the fourth week: 1,900 N are gone in the end, at no time at once."""
    rows = [(i, 21_000 - 12.0 * i + (-95.0 * (i - 4) if i > 4 else 0) + (40 if i % 2 else -40)) for i in range(24)]
    told = steps([point(i, force, every=7, a_day=300, dry=0 if i <= 4 else (i - 4) * 2100) for i, force in rows])
    assert told
    assert {each.kind for each in told} == {"slow"}
    assert len(told) <= 4
    assert all(after.size >= 1.4 * before.size for before, after in pairwise(told) if after.size > 0) or len(told) == 1


def test_a_rise_begins_anew_in_silence() -> None:
    told = steps([point(i, 21_000 if i < 5 else 23_500, a_day=10) for i in range(10)])
    assert told == []


def test_equal_readings_are_no_proof_of_no_scatter() -> None:
    """Two equal readings with a gauge that states nothing, then one 1 % lower: nothing to tell."""
    assert steps([point(i, each, a_day=10, u=None) for i, each in enumerate([21_000.0, 21_000, 20_800])]) == []
    assert steps([point(i, each, a_day=10, u=0.0) for i, each in enumerate([21_000.0, 21_000, 20_950])]) == []


def test_another_gauge_that_may_be_wrong_alike_is_no_step() -> None:
    first = [point(i, 21_000 + 30 * (-1) ** i, a_day=10, gauge="A#1", common=250.0) for i in range(6)]
    other = [point(i, 20_450 + 30 * (-1) ** i, a_day=10, gauge="B#1", common=250.0) for i in range(6, 9)]
    assert steps(first + other) == []
    same = [msgspec.structs.replace(each, gauge="A#1") for each in other]
    assert len(steps(first + same)) == 1


def test_what_is_kept_is_bounded() -> None:
    track = ForceTrack()
    for i in range(3 * KEPT):
        track = taken(track, point(i, 21_000), STACK)
    assert len(track.points) == KEPT


def test_new_work_ends_the_level_and_a_force_of_nothing_is_no_force() -> None:
    track = taken(ForceTrack(), point(0, 21_000), STACK)
    assert taken(track, point(1, 0), STACK) == track
    after = taken(moved(track, fresh=True), point(1, 17_000), STACK)
    assert (after.step, [each.level for each in after.points]) == (None, [0, 1])


def test_normal_values_are_normal_where_the_model_holds() -> None:
    found = [
        value
        for seed in range(30)
        for value in follow([point(i, each) for i, each in enumerate(forces(24, seed))]).z[4:]
    ]
    assert abs(float(np.mean(found))) < 0.15
    assert 0.75 < float(np.std(found)) < 1.15


def test_run_lengths_of_the_sum_are_what_is_said() -> None:
    """Both sides together: one side alone takes twice as long without a step."""
    assert 2 * cusum_run_length(K, H, 0) == pytest.approx(283, abs=1)
    assert cusum_run_length(K, H, 4) == pytest.approx(1.13, abs=0.01)


def test_a_broken_disc_takes_between_what_it_leaves_and_what_falls_out() -> None:
    loss = loss_of_one(STACK, 21_000)
    s = deflection_at(STACK, 21_000)
    assert s is not None
    assert STACK.force(s) == pytest.approx(21_000)
    assert loss.least == pytest.approx(with_one_broken(STACK, s).loss, abs=1e-6)
    assert loss.solved
    assert 0 < loss.least < loss.most < 0.2
    assert not loss_of_one(STACK, 60_000).solved
    for parallel, series in ((1, 1), (2, 1), (1, 60), (3, 20)):
        other = loss_of_one(Stack(disc=DISC, parallel=parallel, series=series), 9_000)
        assert 0 <= other.least <= other.most <= 1
    assert stack_of(None) is None
    assert stack_of("not_applicable") is None


def sprung(**changes: object) -> Spindle:
    return accepted(spring_stack=SPRINGS, **changes)


def test_a_break_is_found_as_the_forces_come_and_told_once() -> None:
    spindle = sprung()
    for day in range(2, 8):
        before = seen(spindle)
        made = spindle.pull("21" if day % 2 else "21.05", on=day * 10)
        assert "draw_force.stepped" not in types(changes(before, seen(spindle)))
        assert made.findings == () or made.findings[0].code == "remeasured_unchanged"
    before = seen(spindle)
    made = spindle.pull("20.1", on=90)
    assert [each.code for each in made.findings if each.code != "remeasured_unchanged"] == ["force_stepped"]
    assert "one broken disc spring" in made.findings[-1].text
    (told,) = (each for each in changes(before, seen(spindle)) if each.type == "draw_force.stepped")
    assert (told.type, told.data.entry, told.data.step.kind) == ("draw_force.stepped", 13, "disc_spring")
    assert told.data.step.size.unit == "N"
    assert told.data.cautions
    spindle.pull("20.1", on=100)
    assert "draw_force.stepped" not in types(standing(seen(spindle)))


def test_the_state_with_its_forces_is_kept_and_read_again() -> None:
    spindle = sprung()
    for day, force in enumerate(("21", "21.05", "20.95", "19.9")):
        spindle.pull(force, on=10 + day)
    again = msgspec.json.decode(msgspec.json.encode(spindle.state), type=SpindleState)
    assert again == spindle.state
    assert again.force_track.step is not None


def test_a_rebuild_and_a_new_stack_end_the_level_and_a_nose_does_not() -> None:
    levels = []
    for component in ("nose", "disc_spring_stack"):
        spindle = sprung()
        spindle.pull("21", on=10)
        spindle.tell("component.replaced", {"component": component})
        spindle.pull("17", on=20)
        levels.append(spindle.state.force_track.points[-1].level - spindle.state.force_track.points[0].level)
        assert (spindle.state.force_track.step is None) is (component != "nose")
    assert levels[1] == 1
    spindle = sprung()
    spindle.pull("21", on=10)
    spindle.rebuild(on=11)
    spindle.pull("17", on=12)
    assert spindle.state.force_track.step is None
