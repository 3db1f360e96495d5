"""What asks for work on a spindle besides its rechecks: a measurement out of its limits, or an unusable condition.

Rules of this file
- A cause stands from the fact that shows it to the one that proves it put right. Work alone ends none: it is why the
  next measurement is made, and no proof.
- Of one kind about one thing there is one at a time, however often it is shown again.
- A cause is named by the lowest sequence of the entries that show it, so that an earlier one which is entered late
  does not make another of it.
"""

from typing import Literal

from msgspec import Struct

from service.domain.event.sheets import KitPart
from service.domain.quantity import ShownQuantity
from service.domain.recheck import Moment

CauseKind = Literal["setting", "draw_force", "run_out", "condition"]
Ended = Literal["completed", "cancelled"]


class Tool(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A gauge or tool that a job needs, by the kind that gauges are registered with; a torque tool with what to set."""

    kind: Literal["depth", "force", "run_out", "torque"]
    torque: ShownQuantity | None = None


class JobOrder(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What to do, with what, and how long it takes where the sheet says so."""

    steps: tuple[str, ...]
    tools: tuple[Tool, ...] = ()
    parts: tuple[KitPart, ...] = ()
    minutes: int | None = None


class Cause(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`about` tells two of a kind apart: a run-out's place and distance, a condition's component, code and scheme.

    `evidence` is the newest entry that shows it; `reason`, `health` and `text` are what that entry says. `ended` is
    what completed it, or took it away for the reason `because`.
    """

    kind: CauseKind
    about: str
    root: int
    opened: Moment
    evidence: Moment
    reason: str
    health: str
    text: str
    job: JobOrder
    ended: Moment | None = None
    how: Ended | None = None
    because: str | None = None
