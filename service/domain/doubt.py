"""Doubt of what a gauge judged before it was found out: when its error arose is unknown, so both ends are judged."""

from datetime import datetime
from decimal import Decimal
from typing import Literal

from msgspec import Struct

from service.domain.decision import Decision
from service.domain.finding import Outcome, Recall
from service.domain.gauge import Calibration, Gauge
from service.domain.quantity import ShownQuantity, shown


class Doubt(Struct, frozen=True, kw_only=True):
    """What a gauge that was found out afterwards may have been wrong by: a reading is put right by `correction`."""

    gauge: str
    calibration: Calibration
    correction: Decimal
    unit: Literal["mm", "N"]

    def recall(self, value: ShownQuantity, without: Decision, with_error: Decision) -> Recall:
        return Recall(
            gauge=self.gauge,
            calibration=self.calibration.sequence,
            found=self.calibration.occurred,
            error=shown(-self.correction, self.unit),
            value=value,
            without=without.outcome,
            with_error=with_error.outcome,
        )


def doubt_of(gauge: Gauge | None, kind: Literal["depth", "force", "run_out"], at: datetime) -> Doubt | None:
    """The whole error that the next calibration found, in place of the correction that was known."""
    found = None if gauge is None or not fits(gauge, kind) else gauge.recall_at(at)
    if gauge is None or found is None or found.data.as_found is None:
        return None
    return Doubt(
        gauge=gauge.key,
        calibration=found,
        correction=-found.data.as_found.base,
        unit="N" if kind == "force" else "mm",
    )


def agreed(decision: Decision, recall: Recall | None) -> Outcome:
    """The outcome at both ends of a doubt where they agree, else undecided."""
    return decision.outcome if recall is None or recall.without == recall.with_error else "undecided"


def fits(gauge: Gauge | None, kind: Literal["depth", "force", "run_out"]) -> bool:
    """Whether the gauge measures this at all: nothing of another kind enters the arithmetic."""
    return gauge is not None and gauge.registered is not None and gauge.registered.data.kind == kind
