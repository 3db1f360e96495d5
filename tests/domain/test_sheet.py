"""Sheets: which revision holds when, what is refused, and what must be stated."""

from datetime import UTC, datetime
from itertools import permutations
from typing import Any

import msgspec
import pytest

from service.domain.event import Fact
from service.domain.quantity import quantity
from service.domain.refusal import Refusal
from service.domain.sheet import Sheet, apply_sheet, depth_limits, force_limits, rule_of, run_out_limit
from tests.domain import skerrow

JANUARY = datetime(2026, 1, 5, tzinfo=UTC)


def issued(number: int, valid_from: str, sequence: int, **changes: Any) -> Fact:
    data = skerrow.SHEET | {"revision": number, "valid_from": valid_from} | changes
    return skerrow.fact("sheet.issued", data, sequence, JANUARY)


FIRST = issued(1, "2026-02-01T00:00:00Z", 1)
SECOND = issued(2, "2026-04-01T00:00:00Z", 2)
BACKDATED = issued(3, "2026-04-01T00:00:00Z", 3)


def folded(*facts: Fact) -> Sheet:
    sheet = None
    for fact in facts:
        sheet = apply_sheet(sheet, "SKERROW-A", fact)
    assert sheet is not None
    return sheet


@pytest.mark.parametrize(
    ("when", "number"),
    [
        (datetime(2026, 1, 1, tzinfo=UTC), 1),
        (datetime(2026, 2, 1, tzinfo=UTC), 1),
        (datetime(2026, 3, 31, 23, 59, tzinfo=UTC), 1),
        (datetime(2026, 4, 1, tzinfo=UTC), 3),
    ],
)
def test_the_newest_revision_valid_by_then_holds_and_a_later_entry_wins_a_tie(when: datetime, number: int) -> None:
    assert folded(FIRST, SECOND, BACKDATED).at(when).issued.revision == number


def test_before_any_is_valid_the_earliest_holds_and_a_later_entry_wins_a_tie() -> None:
    assert folded(SECOND, BACKDATED).at(datetime(2026, 1, 1, tzinfo=UTC)).issued.revision == 3


def test_the_order_of_arrival_does_not_matter() -> None:
    assert len({msgspec.json.encode(folded(*order)) for order in permutations((FIRST, SECOND, BACKDATED))}) == 1


def test_a_sheet_survives_being_stored() -> None:
    sheet = folded(FIRST, SECOND)
    assert msgspec.json.decode(msgspec.json.encode(sheet), type=Sheet) == sheet


def test_a_revision_number_is_used_once() -> None:
    with pytest.raises(Refusal) as refused:
        folded(FIRST, issued(1, "2026-02-01T00:00:00Z", 2, gripper_segments=4))
    assert refused.value.code == "sheet_revision_exists"
    assert folded(FIRST, issued(1, "2026-02-01T00:00:00Z", 2)) == folded(FIRST)


@pytest.mark.parametrize(
    ("member", "ask"),
    [
        ("setting_depth", depth_limits),
        ("draw_force", force_limits),
        ("decision_rule", rule_of),
        ("run_out", lambda revision: run_out_limit(revision, "taper_bore", None)),
    ],
)
def test_a_missing_member_is_named(member: str, ask: Any) -> None:
    with pytest.raises(Refusal) as refused:
        ask(skerrow.revision(member))
    assert (refused.value.code, member in refused.value.detail) == ("sheet_incomplete", True)
    if member != "decision_rule":
        with pytest.raises(Refusal) as refused:
            ask(skerrow.revision(**{member: "not_applicable"}))
        assert refused.value.code == "check_not_applicable"


def test_a_run_out_is_judged_by_the_limit_at_its_place_and_distance() -> None:
    bore = {"place": "taper_bore", "distance": skerrow.mm("0"), "limit": skerrow.q("6", "um")}
    arbor = {"place": "arbor", "distance": skerrow.mm("300"), "limit": skerrow.q("15", "um")}
    near = {"place": "arbor", "distance": skerrow.mm("20"), "limit": skerrow.q("8", "um")}
    revision = skerrow.revision(run_out=[bore, arbor, near])
    assert run_out_limit(revision, "taper_bore", None).limit.value == 6
    assert run_out_limit(revision, "arbor", quantity("300000", "um")).limit.value == 15
    for place, distance in (("face", None), ("arbor", None), ("arbor", quantity("100", "mm"))):
        with pytest.raises(Refusal) as refused:
            run_out_limit(revision, place, distance)  # type: ignore[arg-type]
        assert refused.value.code == "sheet_incomplete"
