"""What is said of an entry that is in the ledger already: what it should have been, or that it should not be."""

from datetime import datetime
from typing import Annotated

import msgspec
from msgspec import Meta, Struct

Reason = Annotated[str, Meta(min_length=1, max_length=2000)]


class Target(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The identity under which the entry was sent."""

    source: Annotated[str, Meta(min_length=1, max_length=512)]
    id: Annotated[str, Meta(min_length=1, max_length=256)]


class Corrected(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The whole data that the entry should have had, and the time where that was wrong too.

    Where the target is a correction itself, `data` is again that of the entry at the end of the chain.
    """

    target: Target
    data: msgspec.Raw
    reason: Reason
    time: Annotated[datetime, Meta(tz=True)] | None = None


class Voided(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The entry is to count as never made; voiding a correction or a void undoes that."""

    target: Target
    reason: Reason
