"""What one fact is folded with, and what folding it answers."""

from datetime import datetime
from typing import TypeAlias

from msgspec import Struct

from service.domain.finding import Finding as Finding
from service.domain.gauge import Gauge
from service.domain.lot import Lot
from service.domain.recheck import Episode
from service.domain.refusal import Refusal
from service.domain.sheet import Revision, Sheet
from service.domain.spindle import SpindleState
from service.domain.turn import Instruction
from service.domain.verdict import ForceVerdict, RunOutVerdict, SettingVerdict, Shift

Verdict: TypeAlias = SettingVerdict | ForceVerdict | RunOutVerdict


class SpindleUnknown(Refusal):
    code = "spindle_unknown"


class SpindleKnown(Refusal):
    code = "spindle_already_commissioned"


class SheetUnknown(Refusal):
    code = "sheet_unknown"


class SpindleRetired(Refusal):
    code = "spindle_retired"


class NotInPlace(Refusal):
    code = "spindle_not_installed"


class StillInstalled(Refusal):
    """Another machine's counter goes on from the count at removal, so that has to be on record."""

    code = "spindle_still_installed"


class BaselineAhead(Refusal):
    """A baseline is what was done before the ledger began."""

    code = "baseline_ahead"


class RecheckUnknown(Refusal):
    code = "recheck_unknown"


class UntilPassed(Refusal):
    """Leave is given for a time or a count to come."""

    code = "until_passed"


class NotConceded(Refusal):
    """Leave is taken for a setting; what else stands against a spindle is not conceded."""

    code = "concession_not_for_check"


class ConditionUnknown(Refusal):
    code = "condition_unknown"


class References(Struct, frozen=True, kw_only=True):
    """The sheets, gauges and lots that facts name, as known now."""

    sheets: dict[str, Sheet] = {}
    gauges: dict[str, Gauge] = {}
    lots: dict[str, Lot] = {}

    def revision(self, code: str, when: datetime) -> Revision:
        sheet = self.sheets.get(code)
        if sheet is None:
            raise SheetUnknown(f"sheet {code!r} has never been issued", pointer="/data/sheet")
        return sheet.at(when)


class Step(Struct, frozen=True, kw_only=True):
    """What one fact did: the state after it, and what was judged.

    `refused` is why a fact of a history that is folded again makes no sense any more: it counts for its time alone.
    """

    state: SpindleState
    verdict: Verdict | None = None
    instruction: Instruction | None = None
    shift: Shift | None = None
    findings: tuple[Finding, ...] = ()
    opened: tuple[Episode, ...] = ()
    closed: tuple[Episode, ...] = ()
    refused: str | None = None
