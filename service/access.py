"""Keys: mint, hash, find, revoke; what each may do and which plants it is bound to.

A token is shown once, when it is minted; what is kept is its SHA-256. A token carries 256 random bits, so a plain
digest is enough: there is nothing to guess that a slow hash would protect.
"""

from asyncio import Task, create_task, get_running_loop, shield
from collections.abc import Sequence
from datetime import datetime
from hashlib import sha256
from secrets import token_urlsafe
from typing import Any, Final

from msgspec import Struct

from service.domain.refusal import Fault, Refusal
from service.postgres import Database, Statements, Transaction

_SQL: Final = Statements.beside(__file__)
SCOPES: Final = ("events:write", "counters:write", "read", "work_orders:write", "webhooks:admin", "admin")
TOKEN_PREFIX: Final = "slk_"
BOOTSTRAP_NAME: Final = "bootstrap"
BOOTSTRAP_CHARACTERS_MIN: Final = 32
NAME_CHARACTERS_MAX: Final = 200
CACHED_S: Final = 1.0
_CACHED_KEYS_MAX: Final = 10_000
_TOKEN_CHARACTERS_MAX: Final = 1_000
_BOOTSTRAP_LOCK: Final = 7_470_116_854


class ScopeUnknown(Refusal):
    """A key asks for a scope that there is not."""

    code = "scope_unknown"


class KeyMalformed(Refusal):
    """A key's name or expiry cannot be taken."""

    code = "key_malformed"


class KeyReachesTooFar(Refusal):
    """A key would reach further than the one that mints it."""

    code = "key_reaches_too_far"


class BootstrapKeyTooShort(Refusal):
    """The first administrator's key must not be one that can be guessed."""

    code = "bootstrap_key_too_short"


class Key(Struct, frozen=True, kw_only=True):
    """A key as kept. `plants` is None where it reaches every plant."""

    key: int
    name: str
    scopes: tuple[str, ...]
    plants: tuple[str, ...] | None
    created: datetime
    expires: datetime | None = None
    revoked: datetime | None = None

    def may(self, scope: str) -> bool:
        """Whether it holds the scope; `admin` holds them all."""
        return scope in self.scopes or "admin" in self.scopes

    def reaches(self, plant: str | None) -> bool:
        """Whether it may see and change what belongs to this plant; what belongs to none is for unbound keys."""
        return self.plants is None or plant in self.plants


def digest(token: str) -> bytes:
    """What is kept of a token."""
    return sha256(token.encode()).digest()


async def mint(
    tx: Transaction,
    *,
    name: str,
    scopes: Sequence[str],
    plants: Sequence[str] | None = None,
    expires: datetime | None = None,
    minted_by: Key | None = None,
) -> tuple[Key, str]:
    """Makes a key and answers it with its token, which nobody can read again.

    Raises ScopeUnknown, or KeyMalformed for a name that is empty, too long or holds a NUL, for an empty list of
    plants, and for an expiry that has passed. Raises KeyReachesTooFar where it would be more than `minted_by` is: for
    another scope or plant, or for longer.
    """
    _check_scopes(scopes)
    if not name.strip() or len(name) > NAME_CHARACTERS_MAX or "\0" in name:
        raise KeyMalformed(f"a name has 1 to {NAME_CHARACTERS_MAX} characters", pointer="/name")
    if plants is not None and (not plants or any("\0" in plant for plant in plants)):
        raise KeyMalformed("name at least one plant, or leave plants out for all", pointer="/plants")
    if expires is not None and expires <= tx.now:
        raise KeyMalformed("the expiry has passed", pointer="/expires")
    if minted_by is not None:
        _check_reach(minted_by, scopes, plants, expires)
    token = TOKEN_PREFIX + token_urlsafe(32)
    row = await _add(tx, token, name, scopes, plants, expires)
    return _key(row), token


def _check_scopes(scopes: Sequence[str]) -> None:
    known = "the scopes are " + " ".join(SCOPES)
    if not scopes:
        raise ScopeUnknown(f"name at least one; {known}", pointer="/scopes")
    faults = [
        Fault(pointer=f"/scopes/{place}", code=ScopeUnknown.code, detail=f"{scope!r} is no scope")
        for place, scope in enumerate(scopes)
        if scope not in SCOPES
    ]
    if faults:
        raise ScopeUnknown(known, faults=faults)


def _check_reach(by: Key, scopes: Sequence[str], plants: Sequence[str] | None, expires: datetime | None) -> None:
    if not all(by.may(scope) for scope in scopes):
        raise KeyReachesTooFar("a key mints for scopes of its own only", pointer="/scopes")
    if by.plants is not None and (plants is None or not set(plants) <= set(by.plants)):
        raise KeyReachesTooFar(f"this key mints for plants of its own only: {' '.join(by.plants)}", pointer="/plants")
    if by.expires is not None and (expires is None or expires > by.expires):
        raise KeyReachesTooFar(f"this key itself ends at {by.expires.isoformat()}", pointer="/expires")


async def _add(
    tx: Transaction,
    token: str,
    name: str,
    scopes: Sequence[str],
    plants: Sequence[str] | None = None,
    expires: datetime | None = None,
) -> Any:
    """The new row, or None where the token is known already."""
    return await tx.row(
        _SQL["add_key"],
        name=name,
        digest=digest(token),
        scopes=sorted(set(scopes), key=SCOPES.index),
        plants=None if plants is None else sorted(set(plants)),
        now=tx.now,
        expires=expires,
    )


async def find(tx: Transaction, token: str) -> Key | None:
    """The key that a token opens, or None where there is none, it was revoked or it has expired."""
    if len(token) > _TOKEN_CHARACTERS_MAX:
        return None
    row = await tx.row(_SQL["find_key"], digest=digest(token), now=tx.now)
    return None if row is None else _key(row)


async def keys(tx: Transaction, *, limit: int, after: int = 0, plants: Sequence[str] | None = None) -> list[Key]:
    """Keys in the order they were made, after a number; revoked and expired ones too.

    With `plants` those only that are bound to some of them and to no other.
    """
    return [_key(row) for row in await tx.rows(_SQL["keys"], after=after, limit=limit, plants=plants)]


async def lock(tx: Transaction, key: int) -> None:
    """Lets nobody else change a key before this transaction ends; what it is, is read afterwards."""
    await tx.value(_SQL["lock_key"], key=key)


async def revoke(tx: Transaction, key: int) -> bool:
    """Ends a key, at the latest a second later in every process. False where there is none that held."""
    return bool(await tx.run(_SQL["revoke_key"], key=key, now=tx.now))


async def ensure_bootstrap(tx: Transaction, token: str | None) -> str | None:
    """Sees to the first administrator's key.

    With a token, that token is an administrator's from now on (unless it was revoked: that stays) and None is
    answered. Without one, a token is made and answered if no administrator's key holds. Raises BootstrapKeyTooShort.
    """
    if token is not None:
        if not BOOTSTRAP_CHARACTERS_MIN <= len(token) <= _TOKEN_CHARACTERS_MAX:
            raise BootstrapKeyTooShort(
                f"the first administrator's key needs {BOOTSTRAP_CHARACTERS_MIN} to {_TOKEN_CHARACTERS_MAX} characters"
            )
        await _add(tx, token, BOOTSTRAP_NAME, ["admin"])
        return None
    await tx.value(_SQL["lock_bootstrap"], lock=_BOOTSTRAP_LOCK)
    if await tx.value(_SQL["any_administrator"], now=tx.now):
        return None
    _key_made, made = await mint(tx, name=BOOTSTRAP_NAME, scopes=["admin"])
    return made


class FoundKeys:
    """The keys found in the last second, so that a busy caller costs no query each call.

    Only what was found is remembered: a key just minted opens at once, a revoked one for a second at most.
    """

    def __init__(self, database: Database) -> None:
        self._database = database
        self._found: dict[bytes, tuple[float, Key]] = {}
        self._looking: dict[bytes, Task[Key | None]] = {}

    def remembered(self, token: str) -> Key | None:
        """The key, if it was found in the last second."""
        return self._remembered(digest(token), get_running_loop().time())

    def _remembered(self, known: bytes, now: float) -> Key | None:
        until, key = self._found.get(known, (now, None))
        return key if now < until else None

    async def find(self, token: str) -> Key | None:
        """As `access.find`, at most one second old. Thousands who ask for one key at once share the look."""
        known = digest(token)
        key = self._remembered(known, get_running_loop().time())
        if key is not None:
            return key
        looking = self._looking.get(known)
        if looking is None:
            looking = self._looking[known] = create_task(self._look(token, known))
            looking.add_done_callback(lambda _: self._looking.pop(known, None))
        return await shield(looking)

    async def _look(self, token: str, known: bytes) -> Key | None:
        now = get_running_loop().time()
        async with self._database.transaction() as tx:
            key = await find(tx, token)
        self._found.pop(known, None)
        if key is not None:
            if len(self._found) >= _CACHED_KEYS_MAX:
                self._found.clear()
            self._found[known] = (now + CACHED_S, key)
        return key


def _key(row: Any) -> Key:
    return Key(
        key=row["key"],
        name=row["name"],
        scopes=tuple(row["scopes"]),
        plants=None if row["plants"] is None else tuple(row["plants"]),
        created=row["created"],
        expires=row["expires"],
        revoked=row["revoked"],
    )
