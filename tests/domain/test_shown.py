"""How a spindle is shown: what stands, what was replaced and accepted, and that it was used while withheld."""

from datetime import datetime
from decimal import Decimal
from typing import Any

from service.domain.shown import SpindleShown, spindle_shown
from service.domain.verdict import MeasuredDepth, depth_shift, judge_draw_force, judge_run_out
from tests.domain.one_spindle import BED_IN, Spindle, accepted, day
from tests.domain.skerrow import MEASURED_AT, force_gauge, mm, pulled, q, revision, run_out


def shown(spindle: Spindle, newest: tuple[int, datetime] | None = None) -> SpindleShown:
    return spindle_shown(spindle.state, spindle.see(newest=newest), len(spindle.facts), spindle.now)


def stands(measurement: dict[str, Any] | None) -> bool:
    assert measurement is not None
    return bool(measurement["stands"])


def test_a_new_spindle_has_nothing_to_show_but_itself() -> None:
    found = shown(Spindle())
    assert (found.last_setting, found.last_draw_force, found.last_run_out) == (None, None, None)
    assert (found.clamping_set, found.conditions, found.findings) == (None, (), ())
    assert (found.hall, found.machine, found.position, found.count) == ("2", "H2-M04", "1", 118_000)


def test_the_count_is_that_of_the_newest_reading() -> None:
    spindle = Spindle()
    assert shown(spindle, (118_250, day(1))).count == 118_250


def test_a_measurement_is_shown_after_it_has_ceased_to_stand() -> None:
    spindle = Spindle()
    spindle.measure()
    spindle.run_out()
    spindle.pull()
    before = shown(spindle)
    assert [stands(each) for each in (before.last_setting, before.last_run_out, before.last_draw_force)] == [True] * 3
    spindle.rebuild()
    after = shown(spindle)
    assert [stands(each) for each in (after.last_setting, after.last_run_out, after.last_draw_force)] == [False] * 3
    assert after.last_setting is not None
    assert (after.last_setting["entry"], after.last_setting["count"]) == (2, 118_000)


def test_a_measurement_that_proves_nothing_is_the_last_and_does_not_stand() -> None:
    spindle = Spindle()
    spindle.measure()
    spindle.measure(gauge_zeroed=False)
    assert not stands(shown(spindle).last_setting)


def test_a_clamping_set_is_accepted_by_the_measurement_that_closes_the_job() -> None:
    spindle = Spindle(BED_IN)
    spindle.rebuild(lot="L-2291")
    fitted = shown(spindle).clamping_set
    assert fitted is not None
    assert (fitted["entry"], fitted["lot"], fitted["accepted"]) == (2, "L-2291", None)
    spindle.prepare()
    spindle.measure()
    fitted = shown(spindle).clamping_set
    assert fitted is not None
    assert fitted["accepted"].entry == 5


def test_used_while_withheld_is_shown_with_the_entry_that_shows_it() -> None:
    spindle = Spindle()
    spindle.measure("11.50")
    assert shown(spindle).findings == ()
    spindle.count(118_003)
    assert shown(spindle).findings == ({"code": "used_while_withheld", "entry": 3},)
    assert shown(accepted()).findings == ()


def depth(total_mm: str, own_mm: str) -> MeasuredDepth:
    return MeasuredDepth(total_mm=Decimal(total_mm), divisor=1, gauge="DG-03", u_own_mm=Decimal(own_mm))


def test_a_shift_of_twice_its_uncertainty_has_not_moved_and_one_beyond_it_has() -> None:
    """By hand: u of the difference is sqrt(0.003² + 0.004²) = 0.005 mm, twice that 0.010 mm."""
    before = depth("11.400", "0.003")
    at, beyond = depth_shift(before, depth("11.410", "0.004")), depth_shift(before, depth("11.4100001", "0.004"))
    assert at is not None
    assert beyond is not None
    assert (at.moved, beyond.moved) == (False, True)


def test_a_run_out_is_shown_at_the_distance_measured_else_at_the_one_stated() -> None:
    anywhere = revision(run_out=[{"place": "arbor", "limit": q("6", "um")}])
    at_300 = revision(run_out=[{"place": "arbor", "distance": mm("300"), "limit": q("6", "um")}])
    for sheet, distance, found in ((anywhere, mm("150"), "150"), (at_300, None, "300"), (anywhere, None, None)):
        data = run_out("5", place="arbor", distance=distance)
        verdict = judge_run_out(data, at=MEASURED_AT, revision=sheet, gauge=None, reasons=())
        assert (None if verdict.distance is None else verdict.distance.value) == found


def test_the_limits_of_a_draw_force_are_shown_as_far_as_they_are_stated() -> None:
    whole = {"warning": q("18.5", "kN"), "minimum": q("16.5", "kN"), "maximum": q("25", "kN")}
    for stated, found in (
        (whole, ("16500.0", "25000", "18500.0")),
        ({"minimum": q("16.5", "kN")}, ("16500.0", None, None)),
    ):
        verdict = judge_draw_force(
            pulled("21"), at=MEASURED_AT, revision=revision(draw_force=stated), gauge=force_gauge(), reasons=()
        )
        limits = (verdict.limits.lower, verdict.limits.upper, verdict.warning)
        assert tuple(None if limit is None else limit.value for limit in limits) == found
