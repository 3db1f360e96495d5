"""Admissibility: every reason alone, several together, and what does not count where the sheet is silent."""

from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import msgspec
import pytest

from service.domain.admissibility import (
    Preparation,
    TorqueRecord,
    force_reasons,
    rebuild_missing,
    run_out_reasons,
    setting_reasons,
)
from service.domain.event.sheets import KitPart
from service.domain.event.spindles import SettingMeasured
from service.domain.finding import REASONS
from service.domain.gauge import Gauge, apply_gauge
from service.domain.refusal import Refusal
from service.domain.sheet import Revision
from tests.domain import skerrow
from tests.domain.skerrow import PREPARED, REBUILT, measured, opposed, revision

GOOD = opposed("11.41", "11.39")
WITHDRAWN = apply_gauge(
    skerrow.gauge(),
    "DG-03",
    skerrow.fact("gauge.withdrawn", {"reason": "dropped"}, 3, datetime(2026, 2, 1, tzinfo=UTC)),
)


def reasons(
    data: SettingMeasured = GOOD,
    *,
    gauge: Gauge | None = None,
    sheet: Revision | None = None,
    preparation: Preparation = PREPARED,
    at: datetime = skerrow.MEASURED_AT,
    known: bool = True,
) -> tuple[str, ...]:
    return setting_reasons(
        data,
        at=at,
        revision=sheet or revision(),
        gauge=(gauge or skerrow.gauge()) if known else None,
        gauge_key_known=known,
        preparation=preparation,
    )


def prepared(**changes: Any) -> Preparation:
    return msgspec.structs.replace(PREPARED, **changes)


def torqued(torque_nm: str, run_in_cycles: int = 3) -> Preparation:
    return prepared(torque=TorqueRecord(sequence=4, torque_nm=Decimal(torque_nm)), run_in_cycles=run_in_cycles)


UNTORQUED = prepared(needs_torque=True, torque=None, run_in_cycles=None)
ALONE: dict[str, tuple[str, ...]] = {
    "not_released": reasons(opposed("11.41", "11.39", draw_bar="clamped")),
    "gauge_unknown": reasons(known=False),
    "gauge_wrong_kind": reasons(gauge=skerrow.gauge(kind="run_out")),
    "gauge_not_zeroed": reasons(opposed("11.41", "11.39", gauge_zeroed=False)),
    "gauge_overdue": reasons(at=datetime(2027, 1, 6, tzinfo=UTC)),
    "gauge_withdrawn": reasons(gauge=WITHDRAWN),
    "gauge_not_capable": skerrow.judged(GOOD, by=skerrow.gauge(repeatability=skerrow.mm("0.02"))).reasons,
    "too_few_readings": reasons(measured(("0", "11.40"))),
    "readings_not_opposed": reasons(measured(("0", "11.41"), ("150", "11.39"))),
    "spread_too_wide": reasons(opposed("11.45", "11.35")),
    "not_torqued": reasons(preparation=UNTORQUED),
    "torque_out_of_limits": reasons(preparation=torqued("34.9")),
    "not_run_in": reasons(preparation=torqued("37", 2)),
    "rebuild_incomplete": reasons(preparation=prepared(rebuild=msgspec.structs.replace(REBUILT, segments_seated=5))),
    "too_few_pulls": force_reasons(
        skerrow.pulled("21.0", "20.9"),
        at=skerrow.MEASURED_AT,
        revision=revision(),
        gauge=skerrow.force_gauge(),
        gauge_key_known=True,
    ),
    "not_clamped": force_reasons(
        skerrow.pulled("21.2", "21.0", "20.9", draw_bar="released"),
        at=skerrow.MEASURED_AT,
        revision=revision(),
        gauge=skerrow.force_gauge(),
        gauge_key_known=True,
    ),
}


def test_a_prepared_spindle_and_a_good_gauge_leave_no_reason() -> None:
    assert reasons() == ()


@pytest.mark.parametrize("code", REASONS)
def test_each_reason_is_found_alone(code: str) -> None:
    assert ALONE[code] == (code,)


def test_every_reason_that_holds_is_listed_in_order() -> None:
    everything = reasons(
        measured(("0", "11.50"), ("150", "11.30"), draw_bar="clamped", gauge_zeroed=False),
        gauge=apply_gauge(
            skerrow.gauge(kind="run_out"),
            "DG-03",
            skerrow.fact("gauge.withdrawn", {"reason": "dropped"}, 3, datetime(2026, 2, 1, tzinfo=UTC)),
        ),
        at=datetime(2027, 2, 1, tzinfo=UTC),
        preparation=msgspec.structs.replace(UNTORQUED, rebuild=msgspec.structs.replace(REBUILT, o_ring_fitted=None)),
    )
    assert everything == (
        "not_released",
        "gauge_wrong_kind",
        "gauge_not_zeroed",
        "gauge_overdue",
        "gauge_withdrawn",
        "readings_not_opposed",
        "spread_too_wide",
        "not_torqued",
        "rebuild_incomplete",
    )


def test_what_is_not_said_about_the_measurement_counts_against_it() -> None:
    silent = msgspec.structs.replace(GOOD, draw_bar=None, gauge_zeroed=None)
    assert reasons(silent) == ("not_released", "gauge_not_zeroed")


def test_an_unknown_gauge_is_the_only_thing_said_about_the_gauge() -> None:
    assert reasons(opposed("11.41", "11.39", gauge_zeroed=False), known=False) == ("gauge_unknown",)
    unregistered = Gauge(key="DG-03", sequence=2)
    assert reasons(gauge=unregistered) == ("gauge_unknown",)


def test_a_gauge_never_calibrated_is_overdue() -> None:
    assert reasons(gauge=skerrow.gauge(calibration=None)) == ("gauge_overdue",)


def test_a_gauge_withdrawn_later_was_fit_before() -> None:
    assert reasons(gauge=WITHDRAWN, at=datetime(2026, 1, 31, tzinfo=UTC)) == ()


@pytest.mark.parametrize(("depths", "found"), [(("11.43", "11.37"), ()), (("11.4301", "11.37"), ("spread_too_wide",))])
def test_the_spread_may_reach_its_limit(depths: tuple[str, str], found: tuple[str, ...]) -> None:
    assert reasons(opposed(*depths)) == found


@pytest.mark.parametrize(
    ("torque_nm", "found"),
    [
        ("34.9999", ("torque_out_of_limits",)),
        ("35", ()),
        ("39", ()),
        ("39.0001", ("torque_out_of_limits",)),
    ],
)
def test_a_torque_may_reach_its_limits(torque_nm: str, found: tuple[str, ...]) -> None:
    assert reasons(preparation=torqued(torque_nm)) == found
    assert reasons(preparation=torqued(torque_nm, 0)) == (found or ("not_run_in",))


def test_what_the_sheet_does_not_state_is_not_asked_for() -> None:
    for silence in (
        revision("nose_torque", "run_in_cycles", "gripper_segments", "kit", "reading_spread_max"),
        revision(
            nose_torque="not_applicable",
            run_in_cycles="not_applicable",
            gripper_segments="not_applicable",
            kit="not_applicable",
            reading_spread_max="not_applicable",
        ),
    ):
        bare = msgspec.structs.replace(UNTORQUED, rebuild=msgspec.structs.replace(REBUILT, segments_seated=None))
        assert reasons(opposed("11.49", "11.31"), sheet=silence, preparation=bare) == ()
    assert reasons(sheet=revision("nose_torque"), preparation=torqued("50", 2)) == ("not_run_in",)


def test_a_spindle_with_nothing_done_to_it_needs_no_torque() -> None:
    assert reasons(preparation=Preparation()) == ()


@pytest.mark.parametrize(
    ("changes", "missing"),
    [
        ({}, ()),
        ({"segments_seated": 5}, ("segments seated: 5, of 6",)),
        ({"segments_seated": None}, ("segments seated: not stated, of 6",)),
        ({"o_ring_fitted": False}, ("o-ring: not fitted",)),
        ({"o_ring_fitted": None}, ("o-ring: not stated as fitted",)),
        (
            {"parts": (KitPart(part="Gripper-Segment", quantity=6), KitPart(part="O ring", quantity=1))},
            ("spring sleeve: 0, of 1", "nose: 0, of 1"),
        ),
        (
            {
                "parts": (KitPart(part="gripper segment", quantity=5), KitPart(part="nose", quantity=1)),
                "segments_seated": 5,
            },
            ("segments seated: 5, of 6", "gripper segment: 5, of 6", "spring sleeve: 0, of 1", "o-ring: 0, of 1"),
        ),
    ],
)
def test_what_a_rebuild_lacks_is_named(changes: dict[str, Any], missing: tuple[str, ...]) -> None:
    assert rebuild_missing(msgspec.structs.replace(REBUILT, **changes), revision()) == missing


def test_a_kit_without_an_o_ring_asks_for_none() -> None:
    kit = [{"part": "nose", "quantity": 1}]
    assert rebuild_missing(msgspec.structs.replace(REBUILT, o_ring_fitted=None), revision(kit=kit)) == ()


def test_a_force_gauge_for_another_interface_is_of_the_wrong_kind() -> None:
    for gauge in (skerrow.force_gauge(interface="SK40"), skerrow.gauge()):
        found = force_reasons(
            skerrow.pulled("21.2", "21.0", "20.9"),
            at=skerrow.MEASURED_AT,
            revision=revision(),
            gauge=gauge,
            gauge_key_known=True,
        )
        assert found == ("gauge_wrong_kind",)


def test_a_pull_marked_as_discarded_does_not_count() -> None:
    marked = skerrow.pulled("21.2", "21.0", "20.9")
    pulls = (marked.pulls[0], msgspec.structs.replace(marked.pulls[1], discarded=True), marked.pulls[2])
    found = force_reasons(
        msgspec.structs.replace(marked, pulls=pulls),
        at=skerrow.MEASURED_AT,
        revision=revision(),
        gauge=skerrow.force_gauge(),
        gauge_key_known=True,
    )
    assert found == ("too_few_pulls",)


def test_a_run_out_needs_a_known_gauge_of_its_kind_and_a_limit_at_its_place() -> None:
    def found(gauge: Gauge | None, **changes: Any) -> tuple[str, ...]:
        return run_out_reasons(
            skerrow.run_out("4", **changes),
            at=skerrow.MEASURED_AT,
            revision=revision(),
            gauge=gauge,
            gauge_key_known=gauge is not None,
        )

    indicator = skerrow.gauge(kind="run_out")
    assert found(indicator) == ()
    assert found(indicator, gauge_zeroed=False) == ("gauge_not_zeroed",)
    assert found(None) == ("gauge_unknown",)
    assert found(skerrow.gauge()) == ("gauge_wrong_kind",)
    with pytest.raises(Refusal) as refused:
        found(indicator, place="face")
    assert refused.value.code == "sheet_incomplete"
