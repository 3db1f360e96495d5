"""The two times of a question about the past: what had happened by then, and what was known by then."""

from typing import Annotated, Final

from litestar.params import QueryParameter

from service import past
from service.api.door import time_of
from service.postgres import Transaction

_AS_OF: Final = "RFC 3339: as it was then, by all that is known now; with `known_at` by what was known then"
_KNOWN_AT: Final = (
    "RFC 3339: by what had been recorded by then; seen at that time too, unless `as_of` says another. Both the same is "
    "what was answered at that time"
)

AsOf = Annotated[str | None, QueryParameter(description=_AS_OF, max_length=64)]
KnownAt = Annotated[str | None, QueryParameter(description=_KNOWN_AT, max_length=64)]


def looking_back(tx: Transaction, as_of: str | None, known_at: str | None) -> past.Asked:
    """The times as they were written, one of them at least. Raises TimeMalformed and TimeToCome."""
    times = [
        None if text is None else time_of(text, parameter=name)
        for name, text in (("as_of", as_of), ("known_at", known_at))
    ]
    asked = past.asked_for(times[0], times[1], tx.now)
    assert asked is not None
    return asked
