"""What a spindle's state has to tell: each thing once, in its last state, under an id that its cause gives it."""

from collections import Counter
from datetime import datetime, timedelta

from service.domain.announce import Seen, changes, closings, health_changed, standing
from service.domain.fold import next_look, replay, view
from service.domain.notice import Notice, notice_id
from service.domain.recheck import Episode
from service.domain.turn import CAUTIONS
from tests.domain.one_spindle import BED_IN, FORCE_QUARTERLY, PLACE, Spindle, accepted, day, recheck


def seen(spindle: Spindle, on: float | None = None) -> Seen:
    return Seen(state=spindle.state, view=spindle.see(on))


def types(notices: list[Notice]) -> list[str]:
    return [notice.type for notice in notices]


def told_by_fact(spindle: Spindle, before: Seen, closed: tuple[Episode, ...] = ()) -> list[str]:
    after = seen(spindle)
    return types([*closings(after, closed), *changes(before, after)])


def test_a_spindle_with_nothing_against_it_has_nothing_to_tell() -> None:
    spindle = accepted(BED_IN, FORCE_QUARTERLY)
    assert standing(seen(spindle)) == []
    assert changes(None, seen(spindle)) == []


def test_the_life_of_a_recheck_is_told_step_by_step() -> None:
    spindle = accepted(BED_IN)
    told = []
    for reading in (118_653, 118_654, 118_703, 118_704, 118_954, 118_955, 118_990):
        before = seen(spindle)
        spindle.count(reading)
        told.append((reading, told_by_fact(spindle, before)))
    before = seen(spindle)
    made = spindle.measure()
    assert told == [
        (118_653, []),
        (118_654, ["recheck.opened"]),
        (118_703, []),
        (118_704, ["recheck.due"]),
        (118_954, []),
        (118_955, ["recheck.overdue"]),
        (118_990, []),
    ]
    assert told_by_fact(spindle, before, made.closed) == ["recheck.satisfied"]


def test_of_several_steps_at_once_only_the_last_is_told() -> None:
    spindle = accepted(BED_IN)
    before = seen(spindle)
    spindle.count(118_704)
    assert told_by_fact(spindle, before) == ["recheck.due"]
    spindle.count(119_000)
    assert told_by_fact(spindle, before) == ["recheck.overdue"]


def test_what_was_never_open_closes_in_silence() -> None:
    spindle = accepted(BED_IN, FORCE_QUARTERLY)
    before = seen(spindle)
    made = spindle.rebuild()
    assert [(each.code, each.state) for each in made.closed] == [("bed-in", "superseded")]
    assert told_by_fact(spindle, before, made.closed) == []


def test_what_was_open_and_is_superseded_is_told() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_660)
    before = seen(spindle)
    made = spindle.rebuild()
    assert told_by_fact(spindle, before, made.closed) == ["recheck.superseded"]


def test_an_id_comes_from_the_episode_and_the_entry_that_crossed() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_704)
    (due,) = standing(seen(spindle))
    episode = spindle.episode("bed-in").episode
    assert due.id == notice_id("recheck.due", episode, len(spindle.facts))
    assert standing(seen(spindle, on=40))[0].id == due.id
    spindle.tell("visual.checked", {})
    assert standing(seen(spindle))[0].id == due.id


def test_where_only_time_passed_the_id_comes_from_the_limits_own_time() -> None:
    spindle = Spindle(FORCE_QUARTERLY)
    episode = spindle.episode("force-quarterly").episode
    for on in (90, 95.5, 103):
        (due,) = standing(seen(spindle, on))
        assert (due.id, due.time) == (notice_id("recheck.due", episode, day(90)), day(90))
    spindle.tell("visual.checked", {}, 96)
    assert standing(seen(spindle))[0].id == due.id


def test_folding_the_same_facts_again_tells_under_the_same_ids() -> None:
    spindle = accepted(BED_IN, FORCE_QUARTERLY)
    spindle.count(118_750)
    spindle.pull("18")
    spindle.count(5)
    first = standing(seen(spindle, on=200))
    again = list(replay("H2-M04-S1", spindle.facts, spindle.known))[-1].state
    assert standing(Seen(state=again, view=view(again, day(200)))) == first
    assert sorted(types(first)) == [
        "counter.backward",
        "counter.silent",
        "draw_force.low",
        "recheck.due",
        "recheck.overdue",
    ]
    assert len({notice.id for notice in first}) == len(first)


def test_a_late_reading_that_moves_the_entry_that_crossed_tells_nothing_anew() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_704, on=3)
    before = seen(spindle)
    spindle.tell_late("counter.read", {"count": 118_704}, 2)
    after = seen(spindle)
    assert standing(after)[0].id != standing(before)[0].id
    assert changes(before, after) == []


def test_a_deferral_is_silent_and_its_lapse_is_told_as_overdue() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_704)
    before = seen(spindle)
    deferral = {"recheck": "bed-in", "until_count": 119_500, "reason": "no gauge", "approved_by": "r.t."}
    spindle.tell("recheck.deferred", deferral)
    assert told_by_fact(spindle, before) == []
    before = seen(spindle)
    spindle.count(119_500)
    assert told_by_fact(spindle, before) == ["recheck.overdue"]


def test_each_rejected_setting_is_told_and_work_on_it_is_not() -> None:
    spindle = accepted()
    told = []
    for depth in ("11.50", "11.51"):
        before = seen(spindle)
        spindle.measure(depth)
        told += changes(before, seen(spindle))
    before = seen(spindle)
    spindle.adjust()
    assert changes(before, seen(spindle)) == []
    assert types(told) == ["setting.rejected"] * 2
    assert [notice.data.entry for notice in told] == [7, 8]
    assert told[0].data.verdict["outcome"] == "nonconforming"
    assert told[0].data.last_proof.entry == 6


def test_a_low_force_and_one_below_the_minimum_are_told_as_low() -> None:
    spindle = accepted()
    low = ["draw_force.low", "draw_force.stepped"]
    for kilonewtons, told in (("21", []), ("18", low), ("16", low)):
        before = seen(spindle)
        spindle.pull(kilonewtons)
        assert told_by_fact(spindle, before) == told


def test_a_notice_says_when_what_it_speaks_of_was_last_proven() -> None:
    spindle = accepted(BED_IN, FORCE_QUARTERLY)
    spindle.pull("21")
    spindle.pull("18")
    spindle.measure("11.50")
    proofs = {notice.type: notice.data.last_proof.entry for notice in standing(seen(spindle))}
    assert proofs == {"setting.rejected": 6, "draw_force.low": 7, "draw_force.stepped": 7}


def test_a_counter_gone_backward_is_told_once_until_it_is_explained() -> None:
    spindle = accepted()
    before = seen(spindle)
    spindle.count(3)
    (told,) = changes(before, seen(spindle))
    assert (told.type, told.data.code, told.data.reading) == ("counter.backward", "counter_backward", 3)
    before = seen(spindle)
    spindle.count(4)
    assert changes(before, seen(spindle)) == []


def test_a_silent_counter_is_told_with_the_time_it_fell_silent() -> None:
    spindle = accepted()
    (told,) = changes(seen(spindle, 7.99), seen(spindle, 8.5))
    assert (told.type, told.time, told.data.last_read) == ("counter.silent", day(8), day(1))
    assert changes(seen(spindle, 8.5), seen(spindle, 20)) == []


def test_a_notice_names_spindle_and_place_and_carries_the_cautions() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_704)
    (due,) = standing(seen(spindle))
    assert (due.subject, due.spindle, due.plant) == ("spindles/H2-M04-S1", "H2-M04-S1", "skerrow")
    assert due.data.cautions == CAUTIONS
    assert {name: getattr(due.data, name) for name in PLACE} == PLACE
    assert (due.data.health, due.data.clearance, due.data.count) == (
        "maintenance_required",
        "cleared",
        118_704,
    )
    assert (due.data.recheck.recheck, due.data.recheck.state) == ("bed-in", "due")
    spindle.tell("spindle.removed", {"to": "store"})
    (stored,) = standing(seen(spindle))
    assert (stored.data.machine, stored.data.health, stored.plant) == (None, None, "skerrow")


def test_a_change_of_health_says_from_what_to_what_and_why() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_704)
    told = health_changed(seen(spindle), "normal", "7/maintenance_required")
    assert (told.type, told.data.earlier, told.data.now) == (
        "spindle.health_changed",
        "normal",
        "maintenance_required",
    )
    assert [reason.code for reason in told.data.reasons] == ["recheck_due"]
    assert told.id == notice_id("spindle.health_changed", "spindles/H2-M04-S1", "7/maintenance_required")


def test_over_a_life_each_step_of_each_episode_is_told_once_however_often_somebody_looks() -> None:
    look = recheck("look", "visual", "commissioning", after_days=10, early_days=2, grace_days=3, repeat=True)
    spindle = Spindle(BED_IN, FORCE_QUARTERLY, look)
    told: list[Notice] = []
    last = seen(spindle)

    def fact_told(make: str, *given: object, on: float) -> None:
        nonlocal last
        last = swept(spindle, last, day(on), told)
        made = getattr(spindle, make)(*given, on=on)
        after = seen(spindle)
        told.extend([*closings(after, made.closed), *changes(last, after)])
        last = after

    fact_told("rebuild", on=1)
    fact_told("torque", on=1.1)
    spindle.exercise()
    fact_told("measure", on=1.2)
    for on, reading in ((2, 118_450), (3, 118_600), (5, 119_400), (30, 150_000), (60, 171_000), (120, 260_000)):
        fact_told("count", reading, on=on)
    fact_told("measure", on=125)
    fact_told("pull", on=126)
    last = swept(spindle, last, day(200), told)

    of_episodes = Counter(
        (notice.type, notice.data.recheck.episode) for notice in told if notice.type.startswith("recheck.")
    )
    assert set(of_episodes.values()) == {1}
    assert len({notice.id for notice in told}) == len(told)
    assert {"recheck.opened", "recheck.due", "recheck.overdue", "recheck.satisfied"} <= set(types(told))


def swept(spindle: Spindle, last: Seen, until: datetime, told: list[Notice]) -> Seen:
    """Looks at the spindle every two days and whenever it asks to be looked at, up to `until`."""
    while True:
        asked = next_look(spindle.state, last.view)
        now = min(filter(None, (asked, last.view.now.time + timedelta(days=2), until)))
        if now >= until:
            return last
        after = Seen(state=spindle.state, view=view(spindle.state, now))
        told.extend(changes(last, after))
        last = after
