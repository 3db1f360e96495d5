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
        used = [each for each in members if each.fit.cycles > 0 and each.fit.seen >= 1]
        self._number = len(used)
        self._fits: dict[tuple[str, ...], list[UseFit]] = {}
        for member in used:
            for key in _keys_of(member):
                self._fits.setdefault(key, []).append(member.fit)
        self._known: dict[tuple[str, ...], Prior | None] = {}

    def __len__(self) -> int:
        return self._number

    def closest(self, hall: str | None, machine: str | None, sheet: str) -> tuple[str, Prior | None]:
        """The closest group that is large enough, by name, with what it knows; None where nobody was used yet."""
        for name, key in (
            ("machine", ("machine", hall or "", machine or "")),
            ("hall and sheet", ("hall and sheet", hall or "", sheet)),
            ("hall", ("hall", hall or "")),
            ("sheet", ("sheet", sheet)),
        ):
            if len(self._fits.get(key, ())) >= FEWEST:
                return name, self._prior(key)
        return "plant", self._prior(("plant",))

    def _prior(self, key: tuple[str, ...]) -> Prior | None:
        if key not in self._known:
            self._known[key] = prior_of(self._fits.get(key, ()))
        return self._known[key]


def _keys_of(member: Member) -> tuple[tuple[str, ...], ...]:
    hall, machine = member.hall or "", member.machine or ""
    return (
        ("machine", hall, machine),
        ("hall and sheet", hall, member.sheet),
        ("hall", hall),
        ("sheet", member.sheet),
        ("plant",),
    )
