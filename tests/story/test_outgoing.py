"""Where notices may go: addresses are checked when an endpoint is added, when a name resolves, and at every connect."""

import socket
from collections.abc import Sequence

import pytest
from aiohttp.abc import AbstractResolver, ResolveResult

from service.domain.address import AddressRefused
from service.outgoing import check_target
from service.postgres import Database
from tests.story.delivering import LOOPBACK, first_attempt
from tests.story.receiver import receiver


async def test_an_address_that_is_no_longer_allowed_is_not_connected_to(database: Database) -> None:
    async with receiver() as one:
        delivery = await first_attempt(database, one, allowed=())
    assert one.received == []
    assert "127.0.0.1 (rule loopback)" in str(delivery.attempts[0].error)


class Turning(AbstractResolver):
    """A name server of the test's own: the first look-up and the later ones differ."""

    def __init__(self, *answers: Sequence[str]) -> None:
        self._answers = list(answers)

    async def resolve(
        self, host: str, port: int = 0, family: socket.AddressFamily = socket.AF_INET
    ) -> list[ResolveResult]:
        addresses = self._answers.pop(0) if len(self._answers) > 1 else self._answers[0]
        return [
            ResolveResult(hostname=host, host=each, port=port, family=socket.AF_INET, proto=0, flags=0)
            for each in addresses
        ]

    async def close(self) -> None:
        return None


async def test_a_name_that_turns_to_a_forbidden_address_after_the_check_is_not_called(database: Database) -> None:
    async with receiver() as one:
        port = one.url.rpartition(":")[2]
        one.url = f"https://receiver.example:{port}"
        turning = Turning(["192.0.43.10"], ["127.0.0.1"])
        await check_target(one.url, (), resolver=turning)
        delivery = await first_attempt(database, one, allowed=(), resolver=turning)
    assert one.received == []
    assert "rule loopback" in str(delivery.attempts[0].error)


async def test_a_name_with_one_forbidden_address_among_two_is_refused(database: Database) -> None:
    both = Turning(["192.0.43.10", "169.254.169.254"])
    with pytest.raises(AddressRefused, match=r"169\.254\.169\.254 \(rule link_local\)"):
        await check_target("https://receiver.example/", LOOPBACK, resolver=both)
    async with receiver() as one:
        one.url = "https://receiver.example/"
        delivery = await first_attempt(database, one, resolver=both)
    assert "rule link_local" in str(delivery.attempts[0].error)


async def test_http_goes_to_allowed_addresses_only() -> None:
    await check_target("http://receiver.example/", LOOPBACK, resolver=Turning(["127.0.0.1"]))
    with pytest.raises(AddressRefused, match="plain_http"):
        await check_target("http://receiver.example/", LOOPBACK, resolver=Turning(["192.0.43.10"]))


@pytest.mark.parametrize(
    "url", ["https://[::1]/", "https://[::ffff:127.0.0.1]/", "https://127.0.0.1/", "https://localhost/"]
)
async def test_addresses_that_are_not_public_are_refused_when_they_are_not_allowed(url: str) -> None:
    with pytest.raises(AddressRefused) as refused:
        await check_target(url, ())
    assert refused.value.faults[0].pointer == "/url"
