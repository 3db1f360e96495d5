"""The envelope is read strictly: what is not understood is refused by its place, what is kept is kept to the letter."""

import json
from datetime import UTC, datetime
from typing import Any

import pytest

from service.domain.event import spindles
from service.domain.event.envelope import Event, Malformed, Unreadable, instant, people_in, read_event, with_people
from service.domain.refusal import Fault, Refusal

READING: dict[str, Any] = {
    "specversion": "1.0",
    "id": "r-1",
    "source": "/skerrow/hall-2/tablet-7",
    "type": "counter.read",
    "subject": "spindles/H2-M04-S1",
    "time": "2026-03-02T06:57:00+01:00",
    "data": {"count": 118204},
}
DEPTHS: dict[str, Any] = {
    "readings": [
        {"angle": {"value": "0", "unit": "deg"}, "depth": {"value": "11.52", "unit": "mm"}},
        {"angle": {"value": "180", "unit": "deg"}, "depth": {"value": "11.48", "unit": "mm"}},
    ]
}
DEFERRAL: dict[str, Any] = {"recheck": "bed-in", "until_count": 119000, "reason": "no gauge", "approved_by": "r.t."}


def event(**changes: Any) -> bytes:
    members = READING | changes
    return json.dumps({name: value for name, value in members.items() if value is not ...}).encode()


def with_data(event_type: str, data: str) -> bytes:
    """The event with its data written exactly so."""
    return event(type=event_type, data="DATA").replace(b'"DATA"', data.encode())


def refused(raw: bytes) -> Refusal:
    with pytest.raises((Malformed, Unreadable)) as caught:
        read_event(raw)
    return caught.value


def fault(raw: bytes) -> tuple[str | None, str]:
    (only,) = refused(raw).faults
    return only.pointer, only.code


def test_an_event_is_read_with_its_time_in_utc_and_its_data_as_it_came() -> None:
    read = read_event(event(actor="k.m.", expectedsequence=5, traceparent="00-1-2-01", tracestate="a=b"))
    assert read == Event(
        id="r-1",
        source="/skerrow/hall-2/tablet-7",
        type="counter.read",
        kind="spindles",
        key="H2-M04-S1",
        occurred=datetime(2026, 3, 2, 5, 57, tzinfo=UTC),
        data=spindles.CounterRead(count=118204),
        data_json=b'{"count":118204}',
        actor="k.m.",
        expectedsequence=5,
    )
    assert read.subject == "spindles/H2-M04-S1"


@pytest.mark.parametrize("name", ["traceparents", "data_base64", "Actor", "sequence", "a/b~c", "odd`name"])
def test_an_unknown_member_is_refused_by_name(name: str) -> None:
    (found,) = refused(event(**{name: "x"})).faults
    assert found == Fault(
        pointer="/" + name.replace("~", "~0").replace("/", "~1"),
        code="member_unknown",
        detail=f"{name!r} is not a member here",
    )


@pytest.mark.parametrize("name", ["specversion", "id", "source", "type", "subject", "time", "data"])
def test_a_missing_member_is_refused_by_name(name: str) -> None:
    assert fault(event(**{name: ...})) == (f"/{name}", "member_missing")


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({"specversion": "1.1"}, "/specversion"),
        ({"id": ""}, "/id"),
        ({"id": 7}, "/id"),
        ({"source": ""}, "/source"),
        ({"actor": ""}, "/actor"),
        ({"actor": "x" * 257}, "/actor"),
        ({"expectedsequence": -1}, "/expectedsequence"),
        ({"expectedsequence": "5"}, "/expectedsequence"),
        ({"data": None}, "/data"),
        ({"data": [118204]}, "/data"),
    ],
)
def test_a_member_that_does_not_fit_is_named(changes: dict[str, Any], pointer: str) -> None:
    assert fault(event(**changes)) == (pointer, "member_invalid")


@pytest.mark.parametrize(
    ("written", "utc"),
    [
        ("2026-03-02T06:57:00+01:00", datetime(2026, 3, 2, 5, 57, tzinfo=UTC)),
        ("2026-03-02T06:57:00Z", datetime(2026, 3, 2, 6, 57, tzinfo=UTC)),
        ("2026-03-02t06:57:00z", datetime(2026, 3, 2, 6, 57, tzinfo=UTC)),
        ("2026-03-02T06:57:00-00:00", datetime(2026, 3, 2, 6, 57, tzinfo=UTC)),
        ("2026-03-02T00:57:00+14:00", datetime(2026, 3, 1, 10, 57, tzinfo=UTC)),
        ("2026-03-02T06:57:00.5Z", datetime(2026, 3, 2, 6, 57, 0, 500_000, tzinfo=UTC)),
        ("2026-03-02T06:57:00.1234569Z", datetime(2026, 3, 2, 6, 57, 0, 123_456, tzinfo=UTC)),
        ("2026-03-02T06:57:59.9999999999Z", datetime(2026, 3, 2, 6, 57, 59, 999_999, tzinfo=UTC)),
        ("1970-01-01T00:00:00Z", datetime(1970, 1, 1, tzinfo=UTC)),
    ],
)
def test_a_time_is_rfc_3339_and_cut_to_six_digits_not_rounded(written: str, utc: datetime) -> None:
    read = instant(written)
    assert read == utc
    assert read.tzinfo is UTC


@pytest.mark.parametrize(
    "written",
    [
        "2026-03-02T06:57:00",  # no offset
        "2026-03-02T24:00:00Z",
        "2026-03-02T23:59:60Z",
        "2026-03-02T06:60:00Z",
        "2026-02-30T06:57:00Z",
        "2026-03-02T06:57Z",
        "2026-03-02 06:57:00Z",
        "2026-03-02T06:57:00,5Z",
        "2026-03-02T06:57:00.Z",
        "2026-03-02T06:57:00+0100",
        "2026-03-02T06:57:00+24:00",
        "2026-03-02T06:57:00+01:60",
        "2026-03-02T06:57:00Z\n",
        "٢٠٢٦-03-02T06:57:00Z",
        "0000-01-01T00:00:00Z",
        "9999-12-31T23:59:59-23:59",
        "1969-12-31T23:59:59Z",
        "20260302T065700Z",
        "1772434620",
    ],
)
def test_what_is_no_such_time_is_refused(written: str) -> None:
    assert fault(event(time=written)) == ("/time", "time_invalid")


@pytest.mark.parametrize(
    "subject",
    [
        *("spindles/", "spindles", "/H2", "machines/H2", "spindles/-a", "spindles/a/b", "spindles/" + "a" * 65),
        *("spindles/a b", "spindles/a\n", "Spindles/a", "spindles/ä", "spindles/a%20"),
    ],
)
def test_a_subject_is_a_kind_and_a_key(subject: str) -> None:
    assert fault(event(subject=subject)) == ("/subject", "subject_invalid")


def test_the_longest_key_with_every_sign_is_taken_and_case_matters() -> None:
    key = "A._~-" + "z" * 59
    assert read_event(event(subject=f"spindles/{key}")).key == key
    assert read_event(event(subject="spindles/a")).key != read_event(event(subject="spindles/A")).key


def test_an_event_belongs_to_its_kind_of_subject() -> None:
    assert fault(event(subject="gauges/DG-03")) == ("/subject", "subject_of_other_kind")
    assert fault(event(type="counter.guessed")) == ("/type", "type_unknown")


def test_every_fault_of_the_envelope_is_named_at_once() -> None:
    found = refused(event(type="x", subject="y", time="z", datacontenttype="text/plain")).faults
    assert [each.pointer for each in found] == ["/type", "/subject", "/datacontenttype", "/time"]


@pytest.mark.parametrize("content_type", ["application/json", "Application/JSON; charset=utf-8", "application/x+json"])
def test_data_in_json_is_taken(content_type: str) -> None:
    assert read_event(event(datacontenttype=content_type)).data == spindles.CounterRead(count=118204)


@pytest.mark.parametrize(
    ("data", "pointer", "code"),
    [
        (DEPTHS | {"gage": "DG-03"}, "/data/gage", "member_unknown"),
        (DEPTHS | {"gauge": "a b"}, "/data/gauge", "member_invalid"),
        (DEPTHS | {"readings": []}, "/data/readings", "member_invalid"),
        (DEPTHS | {"readings": [DEPTHS["readings"][0], {}]}, "/data/readings/1/angle", "member_missing"),
        (DEPTHS | {"draw_bar": "open"}, "/data/draw_bar", "member_invalid"),
        (DEPTHS | {"temperature": {"value": "20", "unit": "C"}}, "/data/temperature/unit", "unit_unknown"),
        (DEPTHS | {"temperature": {"value": "20", "unit": "mm"}}, "/data/temperature/unit", "unit_of_other_kind"),
    ],
)
def test_the_pointer_names_the_place_in_the_data(data: dict[str, Any], pointer: str, code: str) -> None:
    assert fault(event(type="setting.measured", data=data)) == (pointer, code)


def test_a_rule_between_members_names_the_one_at_fault() -> None:
    sheet = {"revision": 1, "valid_from": "2026-01-01T00:00:00Z"}
    mm, n = {"value": "1", "unit": "mm"}, {"value": "1", "unit": "N"}
    again = {"code": "a", "check": "setting", "since": "acceptance", "after_days": 1}
    guarded = {"name": "guarded", "edition": "JCGM 106:2012"}
    of_sheets: dict[str, tuple[dict[str, Any], str]] = {
        "guard_factor_missing": ({"decision_rule": guarded}, "/decision_rule/guard_factor"),
        "value_not_decimal": ({"decision_rule": guarded | {"guard_factor": "1_0"}}, "/decision_rule/guard_factor"),
        "limits_reversed": ({"draw_force": {"warning": n, "minimum": n | {"value": "2"}}}, "/draw_force/warning"),
        "unit_of_other_kind": ({"reading_spread_max": n}, "/reading_spread_max/unit"),
        "recheck_code_twice": ({"rechecks": [again, again]}, "/rechecks/1/code"),
        "recheck_window_too_early": ({"rechecks": [again | {"early_days": 2}]}, "/rechecks/0/early_days"),
        "accept_with_empty": ({"accept_with": []}, "/accept_with"),
    }
    for code, (members, place) in of_sheets.items():
        sent = event(type="sheet.issued", subject="sheets/A", data=sheet | members)
        assert fault(sent) == (f"/data{place}", code)
    turned = event(type="nose.adjusted", data={"turn": {"value": "24", "unit": "deg"}})
    assert fault(turned) == ("/data/direction", "direction_missing")
    both = event(type="nose.adjusted", data={"turn": mm, "shim": {"out": mm, "in": mm}})
    assert fault(both) == ("/data/shim", "adjustment_unclear")
    calibrated = {"expanded_uncertainty": mm, "k": "two", "due": "2030-01-05"}
    sent = event(type="gauge.calibrated", subject="gauges/DG-03", data=calibrated)
    assert fault(sent) == ("/data/k", "value_not_decimal")
    (found,) = refused(sent).faults
    assert found.detail.startswith("expected a plain decimal")


@pytest.mark.parametrize("unit", ["µm", "Nm", "inch", "MM", "", "mm\n", " mm"])
def test_an_unknown_unit_is_named_where_it_stands(unit: str) -> None:
    depth = {"value": "11.52", "unit": unit}
    data = {"readings": [{"angle": {"value": "0", "unit": "deg"}, "depth": depth}]}
    assert fault(event(type="setting.measured", data=data)) == ("/data/readings/0/depth/unit", "unit_unknown")


@pytest.mark.parametrize(
    "value", ['"NaN"', '"Infinity"', '"1_0"', '" 1"', '"1\\n"', '"1e2"', "1e999999", '"١"', '"+1"', "true", "[1]"]
)
def test_a_value_that_is_no_plain_decimal_is_named_where_it_stands(value: str) -> None:
    data = '{"readings":[{"angle":{"value":"0","unit":"deg"},"depth":{"value":VALUE,"unit":"mm"}}]}'
    data = data.replace("VALUE", value)
    assert fault(with_data("setting.measured", data)) == ("/data/readings/0/depth/value", "value_not_decimal")


def test_white_space_is_taken_out_and_numbers_strings_and_order_stay_to_the_letter() -> None:
    written = """{ "readings" : [ {"depth": {"unit":"mm", "value": 11.50}, "angle" : {"value":\t0e2,"unit":"deg"}},
        {"angle": {"value": 1.8e2, "unit": "deg"}, "depth": {"value": "11.480", "unit": "mm"}} ],
        "gauge_zeroed" : true , "gauge":"D\\u0047-03" }"""
    kept = (
        b'{"readings":[{"depth":{"unit":"mm","value":11.50},"angle":{"value":0e2,"unit":"deg"}},'
        b'{"angle":{"value":1.8e2,"unit":"deg"},"depth":{"value":"11.480","unit":"mm"}}],'
        b'"gauge_zeroed":true,"gauge":"D\\u0047-03"}'
    )
    assert read_event(with_data("setting.measured", written)).data_json == kept


@pytest.mark.parametrize("text", [r"\u0000", r"a\u0000b", r"\\\u0000"])
def test_a_nul_is_refused(text: str) -> None:
    assert isinstance(refused(event(id="ID").replace(b"ID", text.encode())), Malformed)


def test_a_spelled_out_nul_is_only_text() -> None:
    assert read_event(event(id="ID").replace(b"ID", rb"\\u0000")).id == r"\u0000"


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"{",
        b"\xff\xfe{}",
        event() + b"}",
        event(id="ID").replace(b"ID", b"\xff"),
        event(id="ID").replace(b"ID", b"\x00"),
        event(id="ID").replace(b"ID", rb"\ud800"),
        with_data("counter.read", "[" * 20_000 + "]" * 20_000),
        with_data("counter.read", '{"count":NaN}'),
        with_data("counter.read", '{"count":01}'),
    ],
)
def test_what_is_no_json_that_can_be_read_is_refused(raw: bytes) -> None:
    assert isinstance(refused(raw), Malformed)


@pytest.mark.parametrize(
    "number",
    ["9" * 5000, "1e400", "1.0", "1e2", "-1", "true", '"1"', "1000000000000001"],
    ids=lambda number: number[:16],
)
def test_a_count_is_a_whole_number_of_a_size_that_can_be_kept(number: str) -> None:
    assert fault(with_data("counter.read", '{"count":' + number + "}")) == ("/data/count", "member_invalid")


def test_people_are_replaced_and_every_other_byte_stays() -> None:
    written = (
        '{"reason":"say \\"approved_by\\":\\"k.m.\\" \\u00e9","until_count":119000,'
        '"approved_by":"k.\\u006d.","recheck":"b"}'
    )
    data_json = read_event(with_data("recheck.deferred", written)).data_json
    assert people_in(data_json) == {"k.m."}
    kept = '{"reason":"say \\"approved_by\\":\\"k.m.\\" \\u00e9","until_count":119000,"approved_by":"#7","recheck":"b"}'
    assert with_people(data_json, {"k.m.": "#7"}) == kept.encode()
    assert with_people(data_json, {"somebody else": "#7"}) == data_json


def test_people_are_replaced_all_at_once_even_where_one_is_called_like_a_number() -> None:
    data_json = b'{"baseline":{"last_setting":{"stated_by":"k.m."},"last_draw_force":{"stated_by":"#1"}}}'
    assert people_in(data_json) == {"k.m.", "#1"}
    replaced = with_people(data_json, {"k.m.": "#1", "#1": "#2"})
    assert replaced == b'{"baseline":{"last_setting":{"stated_by":"#1"},"last_draw_force":{"stated_by":"#2"}}}'
    assert with_people(replaced, {"#1": "k.m.", "#2": "#1"}) == data_json


@pytest.mark.parametrize(
    "members", ['"approved\\u005fby":"r.t."', '"approved_by":"r.t.","approved_by":"s.v."'], ids=["escaped", "twice"]
)
def test_a_person_who_could_not_be_taken_out_again_is_refused(members: str) -> None:
    data = '{"recheck":"bed-in","until_count":119000,"reason":"no gauge",' + members + "}"
    assert fault(with_data("recheck.deferred", data)) == ("/data", "person_unclear")


def test_nobody_approves_what_they_do_themselves() -> None:
    by_other = read_event(event(type="recheck.deferred", data=DEFERRAL, actor="k.m."))
    assert by_other.actor == "k.m."
    raw = event(type="recheck.deferred", data=DEFERRAL, actor="r.t.")
    assert fault(raw) == ("/data/approved_by", "approved_by_the_actor")
