"""A seal for tests that open the outbox without an application around it."""

from typing import Final

from service.sealing import Seal

KEYS: Final = (
    "c3BpbmRsZS1sZWRnZXItdGVzdC1rZXktbnVtYmVyLTE=",
    "c3BpbmRsZS1sZWRnZXItdGVzdC1rZXktbnVtYmVyLTI=",
)
SEAL: Final = Seal(KEYS[:1], in_database=False)
