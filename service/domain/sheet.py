"""Setting sheets: the revisions of one sheet, which of them holds when, and what a revision must state."""

from datetime import datetime
from typing import Literal, TypeVar

from msgspec import Struct

from service.domain.event import Fact
from service.domain.event.sheets import (
    DecisionRule,
    DrawForce,
    NotApplicable,
    RunOutLimit,
    SettingDepth,
    SheetIssued,
)
from service.domain.quantity import Quantity
from service.domain.refusal import Refusal

Member = TypeVar("Member", SettingDepth, DrawForce, DecisionRule, tuple[RunOutLimit, ...])


class SheetRevisionExists(Refusal):
    """A revision number is used once: a changed sheet is a new revision."""

    code = "sheet_revision_exists"


class SheetIncomplete(Refusal):
    """The sheet lacks what the judgement needs; the detail and the fault name the member."""

    code = "sheet_incomplete"


class CheckNotApplicable(Refusal):
    """The sheet says that this check does not apply to the spindle type."""

    code = "check_not_applicable"


class Revision(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One revision; `sequence` is its place in the sheet's stream."""

    sequence: int
    issued: SheetIssued


class Sheet(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A sheet with all its revisions, in the order of their sequence."""

    code: str
    revisions: tuple[Revision, ...]

    def at(self, when: datetime) -> Revision:
        """The revision that holds at `when`: the newest valid by then (a later entry wins a tie).

        Before the first one is valid, the earliest holds, so that an old measurement can still be judged.
        """
        valid = [revision for revision in self.revisions if revision.issued.valid_from <= when]
        if valid:
            return max(valid, key=lambda revision: (revision.issued.valid_from, revision.sequence))
        return min(self.revisions, key=lambda revision: (revision.issued.valid_from, -revision.sequence))


def apply_sheet(sheet: Sheet | None, code: str, fact: Fact) -> Sheet:
    """The sheet after one of its facts; the result does not depend on the order of the facts.

    Raises SheetRevisionExists where the revision's number stands with other content. The same content under
    the same number changes nothing.
    """
    assert isinstance(fact.data, SheetIssued), fact.type
    revisions = () if sheet is None else sheet.revisions
    same = next((known for known in revisions if known.issued.revision == fact.data.revision), None)
    if same is not None and same.issued != fact.data:
        raise SheetRevisionExists(
            f"revision {fact.data.revision} of sheet {code} exists with other content (entry {same.sequence}); "
            "issue the change as a new revision",
            pointer="/data/revision",
        )
    sequence = fact.sequence if same is None else min(same.sequence, fact.sequence)
    kept = [known for known in revisions if known is not same]
    revisions = tuple(sorted([*kept, Revision(sequence=sequence, issued=fact.data)], key=lambda each: each.sequence))
    return Sheet(code=code, revisions=revisions)


def incomplete(revision: Revision, member: str) -> SheetIncomplete:
    """The refusal that names the member a revision lacks."""
    return SheetIncomplete(
        f"revision {revision.issued.revision} of the sheet does not state {member}",
        pointer="/" + member.replace(".", "/"),
    )


def depth_limits(revision: Revision) -> SettingDepth:
    """The setting depth with its limits. Raises SheetIncomplete or CheckNotApplicable."""
    return _stated(revision, "setting_depth", revision.issued.setting_depth)


def force_limits(revision: Revision) -> DrawForce:
    """The draw force with its limits. Raises SheetIncomplete (also without a minimum) or CheckNotApplicable."""
    stated = _stated(revision, "draw_force", revision.issued.draw_force)
    if stated.minimum is None:
        raise incomplete(revision, "draw_force.minimum")
    return stated


def rule_of(revision: Revision) -> DecisionRule:
    """The decision rule. Raises SheetIncomplete where there is none: no rule is a default of ours."""
    return _stated(revision, "decision_rule", revision.issued.decision_rule)


def run_out_limit(
    revision: Revision, place: Literal["taper_bore", "face", "arbor"], distance: Quantity | None
) -> RunOutLimit:
    """The limit at that place and distance; a limit stated without a distance holds at any.

    A measurement without a distance is judged by the place's only limit. Raises SheetIncomplete where the
    sheet has no limit there, CheckNotApplicable where run-out does not apply.
    """
    at_place = [limit for limit in _stated(revision, "run_out", revision.issued.run_out) if limit.place == place]
    if distance is None:
        fitting = at_place if len(at_place) == 1 else [limit for limit in at_place if limit.distance is None]
    else:
        fitting = [limit for limit in at_place if limit.distance is not None and limit.distance.base == distance.base]
        fitting = fitting or [limit for limit in at_place if limit.distance is None]
    if not fitting:
        where = place if distance is None else f"{place} at {distance.value} {distance.unit}"
        raise SheetIncomplete(
            f"revision {revision.issued.revision} of the sheet does not state a run_out limit for {where}",
            pointer="/run_out",
        )
    return fitting[0]


def _stated(revision: Revision, name: str, member: Member | NotApplicable | None) -> Member:
    if member is None:
        raise incomplete(revision, name)
    if isinstance(member, str):
        raise CheckNotApplicable(
            f"revision {revision.issued.revision} of the sheet says that {name} does not apply", pointer=f"/{name}"
        )
    return member
