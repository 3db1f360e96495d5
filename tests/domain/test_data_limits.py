"""The data of events at the edge of what is taken: the last value that is, and the first that is not, with its code."""

import json
from decimal import Decimal
from typing import Any

import msgspec
import pytest

from service.domain.address import URL_CHARACTERS_MAX, UrlMalformed, target_of
from service.domain.event import decode_data
from service.domain.event.envelope import people_in
from service.domain.finding import show_quotient
from service.domain.quantity import check_unit, exact_decimal
from service.domain.signature import secret_bytes, secret_text
from tests.domain.one_spindle import COUNTER, PLACE
from tests.domain.skerrow import CALIBRATION, GAUGE, SHEET, advised, mm, opposed, q, revision

DEPTH: dict[str, Any] = SHEET["setting_depth"]
THREAD: dict[str, Any] = SHEET["adjust"]
FORCE: dict[str, Any] = {"warning": q("18.5", "kN"), "minimum": q("16.5", "kN")}
RULE: dict[str, Any] = {"name": "guarded", "edition": "ISO 14253-1:2017"}
SHIM: dict[str, Any] = {"by": "shim", "step": mm("0.05"), "thicker": "increases_depth"}
MASTER: dict[str, Any] = {"expanded_uncertainty": q("1", "um"), "k": "2"}
COMMISSIONED: dict[str, Any] = {"serial": "SP-0412", "sheet": "SKERROW-A", "counter": COUNTER} | PLACE
TURN: dict[str, Any] = {"turn": q("0", "deg"), "direction": "in"}


def sheet(**changes: Any) -> tuple[str, dict[str, Any]]:
    return "sheet.issued", SHEET | changes


def recheck(**rule: Any) -> tuple[str, dict[str, Any]]:
    return sheet(rechecks=[{"code": "look", "check": "visual", "since": "last_check"} | rule])


TAKEN: dict[str, tuple[str, dict[str, Any]]] = {
    "limits that leave one value": sheet(setting_depth=DEPTH | {"lower": mm("0.05")}),
    "a warning at the minimum": sheet(draw_force=FORCE | {"warning": q("16500", "N")}),
    "a minimum without a warning": sheet(draw_force={"minimum": q("16.5", "kN")}),
    "a warning without a minimum": sheet(draw_force={"warning": q("18.5", "kN")}),
    "a guard factor of zero": sheet(decision_rule=RULE | {"guard_factor": "0"}),
    "a window as long as the recheck": recheck(after_cycles=9, early_cycles=9, after_days=9, early_days=9),
    "an uncertainty of zero": ("gauge.calibrated", CALIBRATION | {"expanded_uncertainty": mm("0")}),
    "a resolution of zero": ("gauge.registered", GAUGE | {"resolution": mm("0")}),
    "a counter that starts at its last value": (
        "spindle.commissioned",
        COMMISSIONED | {"counter": {"start": 65_535, "modulus": 65_536}},
    ),
    "a turn by nothing": ("nose.adjusted", TURN),
    "shims exchanged": ("nose.adjusted", {"shim": {"out": mm("1.55"), "in": q("1500", "um")}}),
}
REFUSED: dict[str, tuple[tuple[str, dict[str, Any]], str]] = {
    "lower above upper": (sheet(setting_depth=DEPTH | {"lower": mm("0.051")}), "limits_reversed"),
    "a warning below the minimum": (sheet(draw_force=FORCE | {"warning": q("16499", "N")}), "limits_reversed"),
    "a pitch of zero": (sheet(adjust=THREAD | {"pitch": mm("0")}), "pitch_not_a_length"),
    "a step of zero": (sheet(adjust=SHIM | {"step": mm("0")}), "step_not_a_length"),
    "a guard factor below zero": (sheet(decision_rule=RULE | {"guard_factor": "-0.1"}), "guard_factor_negative"),
    "a distance that is a force": (
        sheet(run_out=[{"place": "arbor", "distance": q("3", "N"), "limit": q("6", "um")}]),
        "unit_of_other_kind",
    ),
    "a window longer than the recheck": (recheck(after_cycles=9, early_cycles=10), "recheck_window_too_early"),
    "a window of days without days": (recheck(after_cycles=9, early_days=1), "recheck_window_too_early"),
    "a k of zero": (("gauge.calibrated", CALIBRATION | {"k": "0"}), "coverage_factor_not_positive"),
    "a master with a k of zero": (
        ("gauge.registered", GAUGE | {"zeroing": {"master": MASTER | {"k": 0}}}),
        "coverage_factor_not_positive",
    ),
    "an uncertainty below zero": (
        ("gauge.calibrated", CALIBRATION | {"expanded_uncertainty": mm("-0.001")}),
        "value_negative",
    ),
    "a counter that starts at its modulus": (
        ("spindle.commissioned", COMMISSIONED | {"counter": {"start": 65_536, "modulus": 65_536}}),
        "count_beyond_modulus",
    ),
    "a turn below zero": (("nose.adjusted", TURN | {"turn": q("-0.1", "deg")}), "turn_not_an_angle"),
    "a turn that is a length": (("nose.adjusted", TURN | {"turn": mm("1")}), "turn_not_an_angle"),
    "a turn without its direction": (("nose.adjusted", {"turn": q("24", "deg")}), "direction_missing"),
    "a shim that is an angle": (
        ("nose.adjusted", {"shim": {"out": mm("1.55"), "in": q("1.5", "deg")}}),
        "unit_of_other_kind",
    ),
}


@pytest.mark.parametrize("name", TAKEN)
def test_the_last_value_that_is_taken(name: str) -> None:
    event_type, data = TAKEN[name]
    assert decode_data(event_type, json.dumps(data).encode()) is not None


@pytest.mark.parametrize("name", REFUSED)
def test_the_first_value_that_is_not_taken(name: str) -> None:
    (event_type, data), code = REFUSED[name]
    with pytest.raises(msgspec.ValidationError, match=rf"\A{code}: "):
        decode_data(event_type, json.dumps(data).encode())


@pytest.mark.parametrize("written", [b"1e14", b'"999999999999999"', b"-999999999999999.000000000000001"])
def test_the_largest_decimals(written: bytes) -> None:
    assert abs(exact_decimal(written)) < Decimal(10) ** 15


@pytest.mark.parametrize("written", [b"1e15", b"-1e15", b"10e14", b'"1000000000000000"', b"1e-16"])
def test_decimals_that_are_too_large_or_too_fine(written: bytes) -> None:
    with pytest.raises(ValueError, match=r"\Avalue_not_decimal: "):
        exact_decimal(written)


@pytest.mark.parametrize(
    ("unit", "instead"), [("µm", "use 'um'"), ("Nm", "use 'N.m'"), ("furlong", "use one of mm um")]
)
def test_a_unit_that_is_not_taken_is_answered_with_the_one_to_use(unit: str, instead: str) -> None:
    with pytest.raises(ValueError, match=rf"\Aunit_unknown: '{unit}' .*; {instead}"):
        check_unit(unit)


def test_zero_is_shown_without_a_sign_and_nothing_else_is_changed() -> None:
    assert show_quotient(Decimal("-0.00"), 2, "mm").value == "0.00"
    long = Decimal("-123456789012345.123456789012345")
    assert show_quotient(long, 1, "mm").value == format(long, "f")


def test_people_are_found_whatever_members_name_them() -> None:
    assert people_in(b'{"approved_by":"a.b.","within":{"stated_by":"c.d."}}') == {"a.b.", "c.d."}
    assert people_in(b'{"reason":"nobody"}') == frozenset()


def test_the_longest_url_and_an_address_as_host() -> None:
    longest = "https://192.0.2.7/".ljust(URL_CHARACTERS_MAX, "x")
    assert (target_of(longest).host, target_of(longest).port) == ("192.0.2.7", 443)
    with pytest.raises(UrlMalformed):
        target_of(longest + "x")


@pytest.mark.parametrize("length", [24, 64])
def test_the_shortest_and_the_longest_secret(length: int) -> None:
    assert secret_bytes(secret_text(bytes(length))) == bytes(length)


def test_a_torque_whose_nominal_is_its_maximum_is_advised() -> None:
    torque = {"nominal": q("39", "N.m"), "maximum": q("39", "N.m")}
    steps = advised(opposed("11.52", "11.48"), revision(nose_torque=torque)).then
    assert "Then torque 39 N.m on the nose." in steps


def test_where_the_sheet_asks_for_no_running_in_none_is_advised() -> None:
    steps = advised(opposed("11.52", "11.48"), revision(run_in_cycles=0)).then
    assert [step for step in steps if "run in" in step] == []
    assert len(steps) == 4
