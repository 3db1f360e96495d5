"""Gauges and lots: what is on record, in any order of arrival, and what makes no sense."""

from datetime import UTC, datetime, timedelta
from itertools import permutations
from typing import Any

import msgspec
import pytest

from service.domain.event import Fact
from service.domain.gauge import Gauge, apply_gauge
from service.domain.lot import Lot, apply_lot
from service.domain.refusal import Refusal
from tests.domain import skerrow

START = datetime(2026, 1, 5, 8, tzinfo=UTC)
CERTIFIED = skerrow.CALIBRATION


def at_day(day: int) -> datetime:
    return START + timedelta(days=day)


def fact(event_type: str, data: dict[str, Any], sequence: int, day: int) -> Fact:
    return skerrow.fact(event_type, data, sequence, at_day(day))


def gauge_of(*facts: Fact) -> Gauge:
    gauge = None
    for each in facts:
        gauge = apply_gauge(gauge, "DG-03", each)
    assert gauge is not None
    return gauge


def lot_of(*facts: Fact) -> Lot:
    lot = None
    for each in facts:
        lot = apply_lot(lot, "L-2291", each)
    assert lot is not None
    return lot


REGISTERED = fact("gauge.registered", skerrow.GAUGE, 1, 0)
OLDER_CERTIFICATE = fact("gauge.calibrated", CERTIFIED | {"due": "2026-01-20"}, 2, -10)
CERTIFICATE = fact("gauge.calibrated", CERTIFIED | {"due": "2026-03-02"}, 3, 5)
WITHDRAWN = fact("gauge.withdrawn", {"reason": "dropped"}, 4, 40)


def test_facts_of_a_gauge_in_any_order_end_in_the_same_gauge() -> None:
    orders = permutations((REGISTERED, OLDER_CERTIFICATE, CERTIFICATE, WITHDRAWN))
    assert len({msgspec.json.encode(gauge_of(*order)) for order in orders}) == 1


def test_a_gauge_survives_being_stored() -> None:
    gauge = gauge_of(REGISTERED, CERTIFICATE, WITHDRAWN)
    assert msgspec.json.decode(msgspec.json.encode(gauge), type=Gauge) == gauge


def test_a_calibration_holds_to_the_end_of_its_due_day() -> None:
    gauge = gauge_of(REGISTERED, OLDER_CERTIFICATE, CERTIFICATE)
    last_moment = datetime(2026, 3, 2, 23, 59, 59, 999999, tzinfo=UTC)
    assert gauge.in_calibration(last_moment)
    assert not gauge.in_calibration(last_moment + timedelta(microseconds=1))


def test_the_newest_calibration_by_then_counts() -> None:
    gauge = gauge_of(REGISTERED, OLDER_CERTIFICATE, CERTIFICATE)
    found = [gauge.calibration_at(at_day(day)) for day in (-11, -10, 4, 5)]
    assert [calibration and calibration.sequence for calibration in found] == [None, 2, 2, 3]
    assert not gauge.in_calibration(at_day(-11))


def test_a_gauge_is_withdrawn_from_the_first_withdrawal_on() -> None:
    gauge = gauge_of(REGISTERED, WITHDRAWN, fact("gauge.withdrawn", {"reason": "still bent"}, 5, 60))
    assert [gauge.withdrawn_at(at_day(day)) for day in (39, 40, 41, 61)] == [False, True, True, True]


@pytest.mark.parametrize(
    ("code", "facts"),
    [
        ("gauge_not_registered", [fact("gauge.calibrated", CERTIFIED, 1, 0)]),
        ("gauge_not_registered", [fact("gauge.withdrawn", {"reason": "lost"}, 1, 0)]),
        (
            "gauge_kind_changed",
            [REGISTERED, fact("gauge.registered", {"kind": "run_out", "resolution": skerrow.mm("0.001")}, 2, 1)],
        ),
        ("calibration_due_too_early", [REGISTERED, fact("gauge.calibrated", CERTIFIED | {"due": "2026-01-04"}, 2, 0)]),
        (
            "unit_of_other_kind",
            [REGISTERED, fact("gauge.calibrated", CERTIFIED | {"expanded_uncertainty": skerrow.q("1", "N")}, 2, 0)],
        ),
    ],
)
def test_what_makes_no_sense_about_a_gauge_is_refused(code: str, facts: list[Fact]) -> None:
    with pytest.raises(Refusal) as refused:
        gauge_of(*facts)
    assert refused.value.code == code


def test_a_gauge_may_be_registered_anew_and_the_newer_registration_holds() -> None:
    anew = fact("gauge.registered", skerrow.GAUGE | {"repeatability": skerrow.mm("0.002")}, 2, 1)
    for order in ((REGISTERED, anew), (anew, REGISTERED)):
        registered = gauge_of(*order).registered
        assert registered is not None
        assert registered.sequence == 2


RECEIVED = fact("lot.received", {"sheet": "SKERROW-A", "quantity": 12}, 1, 0)
MORE = fact("lot.received", {"sheet": "SKERROW-A", "quantity": 8}, 2, 3)
RECALLED = fact("lot.withdrawn", {"reason": "soft o-rings"}, 3, 10)


def test_facts_of_a_lot_in_any_order_end_in_the_same_lot() -> None:
    lots = [lot_of(*order) for order in permutations((RECEIVED, MORE, RECALLED))]
    assert len({msgspec.json.encode(lot) for lot in lots}) == 1
    assert (lots[0].quantity, lots[0].sheet) == (20, "SKERROW-A")
    assert [lots[0].withdrawn_at(at_day(day)) for day in (9, 10)] == [False, True]
    again = fact("lot.withdrawn", {"reason": "still soft"}, 4, 12)
    assert lot_of(RECEIVED, again, RECALLED).withdrawn == lots[0].withdrawn
    assert msgspec.json.decode(msgspec.json.encode(lots[0]), type=Lot) == lots[0]


@pytest.mark.parametrize(
    ("code", "facts"),
    [
        ("lot_not_received", [fact("lot.withdrawn", {"reason": "soft o-rings"}, 1, 0)]),
        ("lot_sheet_changed", [RECEIVED, fact("lot.received", {"sheet": "SKERROW-B", "quantity": 1}, 2, 1)]),
    ],
)
def test_what_makes_no_sense_about_a_lot_is_refused(code: str, facts: list[Fact]) -> None:
    with pytest.raises(Refusal) as refused:
        lot_of(*facts)
    assert refused.value.code == code
