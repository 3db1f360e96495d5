"""Which spindles a list or a stream of them is about: the one place that says it of what no statement has narrowed."""

from datetime import datetime
from typing import Literal, Protocol

from msgspec import Struct

from service.api.rechecks import is_due
from service.domain.health import Clearance, Health
from service.domain.shown import SpindleShown

Lifecycle = Literal["installed", "store", "repair", "retired"]


class Narrowable(Protocol):
    """What a spindle is told apart by."""

    @property
    def key(self) -> str: ...
    @property
    def plant(self) -> str: ...
    @property
    def hall(self) -> str | None: ...
    @property
    def machine(self) -> str | None: ...
    @property
    def position(self) -> str | None: ...
    @property
    def sheet(self) -> str: ...
    @property
    def health(self) -> str | None: ...
    @property
    def clearance(self) -> str: ...
    @property
    def lifecycle(self) -> str: ...


class SpindlesWanted(Struct, frozen=True, kw_only=True):
    """The filters of the list, each None where anything will do. `plants` are those that the reader's key sees."""

    plant: str | None = None
    hall: str | None = None
    machine: str | None = None
    position: str | None = None
    sheet: str | None = None
    health: list[Health] | None = None
    clearance: list[Clearance] | None = None
    lifecycle: list[Lifecycle] | None = None
    prefix: str | None = None
    plants: tuple[str, ...] | None = None
    due_before: datetime | None = None

    def takes(self, found: Narrowable) -> bool:
        """Whether it is wanted, its rechecks apart."""
        return (
            (self.plant is None or self.plant == found.plant)
            and (self.hall is None or self.hall == found.hall)
            and (self.machine is None or self.machine == found.machine)
            and (self.position is None or self.position == found.position)
            and (self.sheet is None or self.sheet == found.sheet)
            and (not self.health or found.health in self.health)
            and (not self.clearance or found.clearance in self.clearance)
            and (not self.lifecycle or found.lifecycle in self.lifecycle)
            and (self.prefix is None or found.key.startswith(self.prefix))
            and (self.plants is None or found.plant in self.plants)
        )

    def takes_whole(self, found: SpindleShown) -> bool:
        """The same with its rechecks: of a spindle that was settled while it was read, or is looked back on."""
        due = self.due_before is None or any(is_due(each, self.due_before) for each in found.rechecks)
        return due and self.takes(found)
