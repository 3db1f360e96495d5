"""The environment, read once, in this file only, into one frozen value."""

import os
from collections.abc import Mapping
from datetime import timedelta
from ipaddress import ip_network
from pathlib import Path
from typing import Final, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from cryptography.fernet import Fernet
from msgspec import Struct

from service.access import BOOTSTRAP_CHARACTERS_MIN
from service.domain.address import Network
from service.domain.breaker import DISABLE_AFTER
from service.domain.retry import SCHEDULE

PREFIX: Final = "SPINDLE_LEDGER_"


class EnvironmentWrong(Exception):
    """A variable has a value that cannot be used; the message names it."""


class Environment(Struct, frozen=True, kw_only=True):
    """What the service is told from outside.

    `retry_schedule` is in seconds, one for each attempt, `disable_after` in days without a success; `secret_keys` seal
    secrets, the first what is new.
    """

    database_url: str | None = None
    host: str = "127.0.0.1"
    port: int = 8460
    data: Path | None = None
    bootstrap_key: str | None = None
    key: str | None = None
    webhook_networks: tuple[Network, ...] = ()
    retry_schedule: tuple[float, ...] = tuple(pause.total_seconds() for pause in SCHEDULE)
    disable_after: float = DISABLE_AFTER / timedelta(days=1)
    secret_keys: tuple[str, ...] = ()
    pool_size: int = 10
    log: Literal["json", "text"] | None = None
    time_zones: tuple[tuple[str | None, str], ...] = ()


def read_environment(variables: Mapping[str, str] = os.environ) -> Environment:
    """Reads `DATABASE_URL` and every `SPINDLE_LEDGER_*`; an unknown name of ours is refused, so that no typo hides."""
    known = {
        *("HOST", "PORT", "DATA", "BOOTSTRAP_KEY", "KEY", "POOL_SIZE", "LOG", "SCHEMAS"),
        *("WEBHOOK_CIDRS", "RETRY_SCHEDULE", "DISABLE_AFTER_DAYS", "SECRET_KEYS", "TIME_ZONES"),
    }
    for name in variables:
        if name.startswith(PREFIX) and name.removeprefix(PREFIX) not in known:
            raise EnvironmentWrong(f"{name} is not a variable of this service")
    values = {name: variables.get(f"{PREFIX}{name}") or None for name in known}
    default = Environment()
    data = values["DATA"]
    return Environment(
        database_url=variables.get("DATABASE_URL") or None,
        host=values["HOST"] or default.host,
        port=_whole(values["PORT"], "PORT", default.port, 0, 65_535),
        data=None if data is None else Path(data),
        bootstrap_key=_bootstrap_key(values["BOOTSTRAP_KEY"]),
        key=values["KEY"],
        webhook_networks=_networks(values["WEBHOOK_CIDRS"]),
        retry_schedule=_seconds(values["RETRY_SCHEDULE"], default.retry_schedule),
        disable_after=_days(values["DISABLE_AFTER_DAYS"], default.disable_after),
        secret_keys=_fernet_keys(values["SECRET_KEYS"]),
        pool_size=_whole(values["POOL_SIZE"], "POOL_SIZE", default.pool_size, 2, 200),
        log=_form(values["LOG"]),
        time_zones=_zones(values["TIME_ZONES"]),
    )


def _form(text: str | None) -> Literal["json", "text"] | None:
    forms: dict[str | None, Literal["json", "text"] | None] = {None: None, "json": "json", "text": "text"}
    if text not in forms:
        raise EnvironmentWrong(f"{PREFIX}LOG is json or text, not {text!r}")
    return forms[text]


def _zones(text: str | None) -> tuple[tuple[str | None, str], ...]:
    """`plant=Area/City` for one plant, `Area/City` for every other."""
    found: dict[str | None, str] = {}
    for part in filter(None, (each.strip() for each in (text or "").split(","))):
        plant, equals, name = part.rpartition("=")
        try:
            ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise EnvironmentWrong(f"{PREFIX}TIME_ZONES: there is no time zone {name!r} on this system") from error
        if (plant or None) in found or (equals and not plant):
            raise EnvironmentWrong(f"{PREFIX}TIME_ZONES names each plant once, such as mine=Europe/London")
        found[plant or None] = name
    return tuple(found.items())


def _bootstrap_key(text: str | None) -> str | None:
    if text is not None and len(text) < BOOTSTRAP_CHARACTERS_MIN:
        raise EnvironmentWrong(f"{PREFIX}BOOTSTRAP_KEY needs {BOOTSTRAP_CHARACTERS_MIN} characters or more")
    return text


def _whole(text: str | None, name: str, default: int, lowest: int, highest: int) -> int:
    if text is None:
        return default
    if not text.isascii() or not text.isdigit() or not lowest <= int(text) <= highest:
        raise EnvironmentWrong(f"{PREFIX}{name} is a whole number from {lowest} to {highest}, not {text!r}")
    return int(text)


def _networks(text: str | None) -> tuple[Network, ...]:
    try:
        return tuple(ip_network(part.strip()) for part in (text or "").split(",") if part.strip())
    except ValueError as error:
        raise EnvironmentWrong(f"{PREFIX}WEBHOOK_CIDRS is a list of CIDRs, such as 10.0.0.0/8: {error}") from error


def loopback_networks() -> tuple[Network, ...]:
    """Where the demo's own receiver may be."""
    return _networks("127.0.0.0/8, ::1/128")


def _days(text: str | None, default: float) -> float:
    try:
        days = default if text is None else float(text)
    except ValueError:
        days = 0.0
    if not 0.01 <= days <= 365:
        raise EnvironmentWrong(f"{PREFIX}DISABLE_AFTER_DAYS is a number of days from 0.01 to 365, not {text!r}")
    return days


def _fernet_keys(text: str | None) -> tuple[str, ...]:
    """The keys, none of which may be shown in a message."""
    keys = tuple(part.strip() for part in (text or "").split(",") if part.strip())
    for place, key in enumerate(keys, start=1):
        try:
            Fernet(key)
        except ValueError as error:
            raise EnvironmentWrong(
                f"{PREFIX}SECRET_KEYS: number {place} is no Fernet key (the URL-safe base64 of 32 bytes)"
            ) from error
    return keys


def _seconds(text: str | None, default: tuple[float, ...]) -> tuple[float, ...]:
    if text is None:
        return default
    try:
        pauses = tuple(float(part) for part in text.split(","))
    except ValueError as error:
        raise EnvironmentWrong(f"{PREFIX}RETRY_SCHEDULE is a list of seconds, such as 0,5,300: {error}") from error
    if not pauses or any(not 0 <= pause <= 604_800 for pause in pauses):
        raise EnvironmentWrong(f"{PREFIX}RETRY_SCHEDULE has pauses from 0 to 604800 seconds")
    if pauses[0]:
        raise EnvironmentWrong(f"{PREFIX}RETRY_SCHEDULE begins with 0: the first attempt follows the notice at once")
    return pauses
