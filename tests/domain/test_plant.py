"""The plant that is made up: the same for the same seed, told in the order of time, with the truth beside it."""

from datetime import timedelta
from itertools import pairwise

import pytest

from service.demo.plant import Plant, make_plant
from service.demo.plant_use import summer
from service.demo.plant_wear import BED_IN, BED_IN_CYCLES


@pytest.fixture(scope="module")
def plant() -> Plant:
    return make_plant(7, spindles=24, weeks=30)


def test_the_same_seed_is_the_same_plant(plant: Plant) -> None:
    again, other = make_plant(7, spindles=24, weeks=30), make_plant(8, spindles=24, weeks=30)
    assert list(plant.events()) == list(again.events())
    assert list(plant.events()) != list(other.events())


def test_the_story_is_told_in_the_order_of_time(plant: Plant) -> None:
    times = [str(body["time"]) for _, body in plant.story()]
    assert times == sorted(times)
    assert {kind for kind, _ in plant.story()} == {"event", "readings"}


def test_identities_are_unique(plant: Plant) -> None:
    identities = [event["id"] for event in plant.events()]
    assert len(set(identities)) == len(identities)


def test_counters_fall_only_where_they_roll_over_or_are_exchanged(plant: Plant) -> None:
    for spindle in plant.spindles:
        shown, hour = spindle.shown, timedelta(hours=1)
        times = [plant.begin + number * hour for number in range(30 * 168)]
        exchanged = {each.time for each in shown.exchanges}
        for before, after in pairwise(times):
            if shown.at(after) < shown.at(before):
                rolled = shown.modulus is not None and shown.at(before) > shown.modulus / 2
                assert rolled or any(before < each <= after for each in exchanged)


def test_a_true_due_time_is_when_the_true_count_gets_there(plant: Plant) -> None:
    checked = 0
    for spindle in plant.spindles:
        for due in spindle.truth.dues:
            if due.code == BED_IN and due.due is not None:
                assert due.due_count is not None
                assert spindle.shown.count_at(due.due + timedelta(minutes=1)) >= due.due_count
                assert spindle.shown.count_at(due.anchor) == due.due_count - BED_IN_CYCLES
                checked += 1
    assert checked >= 24


def test_a_silent_counter_says_nothing() -> None:
    plant = make_plant(3, spindles=60, weeks=20)
    silent = [each for each in plant.spindles if each.shown.silent]
    assert silent
    begin, _ = silent[0].shown.silent[0]
    for body in plant.readings():
        if body["time"] == (begin + timedelta(hours=1)).isoformat():
            assert silent[0].key not in body["readings"]


def test_summer_time_begins_and_ends_by_the_rule(plant: Plant) -> None:
    from zoneinfo import ZoneInfo

    for day in range(30 * 7):
        time = plant.begin + timedelta(days=day, hours=1)
        offset = time.astimezone(ZoneInfo("Europe/London")).utcoffset()
        assert summer(time) == (offset == timedelta(hours=1))
