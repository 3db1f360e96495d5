"""Which spindles stand in for one of which little is known: those of its machine, its hall and sheet, and so on."""

from collections.abc import Sequence
from typing import Final

from msgspec import Struct

from service.domain.use_rate import Prior, UseFit, prior_of

FEWEST: Final = 3
"""Members from which on a group that is closer is taken before one that is wider. Ours."""


class Member(Struct, frozen=True, kw_only=True):
    """A spindle of a plant with what is fitted to its use, and where it is."""

    hall: str | None
    machine: str | None
    sheet: str
    fit: UseFit


class Groups:
    """The spindles of one plant, by what they have in common; what a group knows is worked out once."""

    def __init__(self, members: Sequence[Member]) -> None:
        self._members = [each for each in members if each.fit.cycles > 0 and each.fit.seen >= 1]
        self._known: dict[tuple[str, ...], tuple[int, Prior | None]] = {}

    def __len__(self) -> int:
        return len(self._members)

    def closest(self, hall: str | None, machine: str | None, sheet: str) -> tuple[str, Prior | None]:
        """The closest group that is large enough, by name, with what it knows; None where nobody was used yet."""
        for name, key in (
            ("machine", ("machine", hall or "", machine or "")),
            ("hall and sheet", ("hall and sheet", hall or "", sheet)),
            ("hall", ("hall", hall or "")),
            ("sheet", ("sheet", sheet)),
        ):
            members, prior = self._prior(key)
            if members >= FEWEST:
                return name, prior
        return "plant", self._prior(("plant",))[1]

    def _prior(self, key: tuple[str, ...]) -> tuple[int, Prior | None]:
        if key not in self._known:
            mine = [each.fit for each in self._members if _key_of(each, key[0]) == key]
            self._known[key] = (len(mine), prior_of(mine))
        return self._known[key]


def _key_of(member: Member, name: str) -> tuple[str, ...]:
    parts = {
        "machine": (member.hall or "", member.machine or ""),
        "hall and sheet": (member.hall or "", member.sheet),
        "hall": (member.hall or "",),
        "sheet": (member.sheet,),
        "plant": (),
    }
    return (name, *parts[name])
