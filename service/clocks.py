"""Whose wall clock a plant's shifts go by: the zone that is named for it, else found out from its use."""

from collections.abc import Mapping
from datetime import tzinfo
from functools import lru_cache
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from msgspec import Struct

_SUMMER_TIMES: Final = ("Europe/London", "America/New_York", "Australia/Sydney")
"""One place for each rule of summer time that is common. Which hour of the week it is there does not matter, only when
the clocks change."""


class Clocks(Struct, frozen=True, kw_only=True):
    """Zones by plant; that under None is every other plant's."""

    named: Mapping[str | None, str] = {}

    def of(self, plant: str) -> tuple[tzinfo | None, ...]:
        """The zones that a plant's weeks may go by; one where it is known."""
        name = self.named.get(plant, self.named.get(None))
        return (ZoneInfo(name),) if name is not None else _found_out()

    def label(self, plant: str) -> str:
        """What a fit was made with: under another label it is made again."""
        return self.named.get(plant, self.named.get(None)) or "found out"

    def shown(self, plant: str, zone: int) -> str:
        """A zone of a plant by name: as it was named, UTC, or whose summer time its use goes by."""
        name = self.named.get(plant, self.named.get(None))
        if name is not None:
            return name
        found = _found_out()[zone]
        return "UTC" if found is None else f"UTC, with the summer time of {found}"


@lru_cache(maxsize=1)
def _found_out() -> tuple[tzinfo | None, ...]:
    zones: list[tzinfo | None] = [None]
    for name in _SUMMER_TIMES:
        try:
            zones.append(ZoneInfo(name))
        except ZoneInfoNotFoundError:  # a system without time zones: its weeks go by UTC
            continue
    return tuple(zones)
