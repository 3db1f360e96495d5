"""Where notices may go: addresses are checked when an endpoint is added, when a name resolves, and at every connect."""

import asyncio
import os
import socket
import sys
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from aiohttp.abc import AbstractResolver, ResolveResult

from service import endpoints, outbox
from service.deliver import Dispatcher
from service.deliveries import Delivery
from service.domain.address import EVERY_NETWORK, AddressRefused, address_rule
from service.domain.refusal import Refusal
from service.endpoints import Wanted
from service.outgoing import Caller, check_target
from service.postgres import Database
from tests.sealed import SEAL
from tests.story.certificates import Authority
from tests.story.delivering import LOOPBACK, SECRET, deliveries, first_attempt, planned_delay
from tests.story.receiver import Receiver, receiver, status
from tests.story.spellings import SPELLINGS, TRICKS


async def test_an_address_that_is_no_longer_allowed_is_not_connected_to(database: Database) -> None:
    async with receiver() as one:
        delivery = await first_attempt(database, one, allowed=())
    assert one.received == []
    assert "127.0.0.1 (rule loopback)" in str(delivery.attempts[0].error)


def _family(address: str) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in address else socket.AF_INET


class Turning(AbstractResolver):
    """A name server of the test's own: the first look-up and the later ones differ."""

    def __init__(self, *answers: Sequence[str]) -> None:
        self._answers = list(answers)

    async def resolve(
        self, host: str, port: int = 0, family: socket.AddressFamily = socket.AF_INET
    ) -> list[ResolveResult]:
        addresses = self._answers.pop(0) if len(self._answers) > 1 else self._answers[0]
        return [
            ResolveResult(hostname=host, host=each, port=port, family=_family(each), proto=0, flags=0)
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


async def _refused(url: str, resolver: AbstractResolver | None = None, **options: Any) -> str:
    """Why a POST was refused before anything was sent."""
    caller = Caller((), timeout_s=5, read_bytes=4096, resolver=resolver)
    async with caller.opened():
        with pytest.raises((OSError, AddressRefused)) as refused:
            async with caller.post(url, b"{}", {}, **options):
                pass
    return str(refused.value)


@pytest.mark.parametrize(("host", "rule"), SPELLINGS)
async def test_what_was_let_in_by_whatever_way_is_refused_when_it_is_connected_to(host: str, rule: str) -> None:
    for scheme in ("https", "HTTPS"):
        assert f"(rule {rule})" in await _refused(f"{scheme}://{host}:8443/hook")


@pytest.mark.parametrize(("url", "code"), TRICKS)
async def test_a_url_that_could_be_taken_differently_is_not_posted_to(url: str, code: str) -> None:
    caller = Caller(EVERY_NETWORK, timeout_s=5, read_bytes=4096, resolver=None)
    async with caller.opened():
        with pytest.raises(Refusal) as refused:
            caller.post(url, b"{}", {})
    assert refused.value.code == code


ADDRESSES = [host.strip("[]") for host, rule in SPELLINGS if rule not in ("not_canonical", "zone")]


@pytest.mark.parametrize("address", ADDRESSES)
async def test_a_name_that_leads_to_a_forbidden_address_is_refused_both_times(address: str) -> None:
    """Alone, beside a public one, and only from the second look-up on."""
    rule = f"(rule {address_rule(address, ())})"
    for answers in ([address], ["192.0.43.10", address], [address, "192.0.43.10"]):
        with pytest.raises(AddressRefused) as refused:
            await check_target("https://receiver.example/", (), resolver=Turning(answers))
        assert rule in str(refused.value)
        assert rule in await _refused("https://receiver.example/", Turning(answers))
    turning = Turning(["192.0.43.10"], [address])
    await check_target("https://receiver.example/", (), resolver=turning)
    assert rule in await _refused("https://receiver.example/", turning)


@pytest.mark.parametrize("code", [301, 302, 303, 307, 308])
async def test_a_redirect_is_not_followed_wherever_it_leads(database: Database, code: int) -> None:
    async with receiver() as other, receiver() as one:
        for place in (other.url, "http://169.254.169.254/latest"):
            one.answer = status(code, Location=place)
            delivery = await _told(database, one)
            assert (delivery.state, delivery.attempts[0].status) == ("waiting", code)
            assert (delivery.attempts[0].headers or {})["location"] == place
    assert (len(one.received), other.received) == (2, [])


class Silent(AbstractResolver):
    """A name server that knows nothing."""

    async def resolve(
        self, host: str, port: int = 0, family: socket.AddressFamily = socket.AF_INET
    ) -> list[ResolveResult]:
        raise OSError(None, "no such name")

    async def close(self) -> None:
        return None


async def test_a_name_that_does_not_resolve_is_tried_again(database: Database) -> None:
    await check_target("https://receiver.example/", (), resolver=Silent())
    with pytest.raises(AddressRefused, match="plain_http"):
        await check_target("http://receiver.example/", LOOPBACK, resolver=Silent())
    async with receiver() as one:
        one.url = "https://receiver.example/"
        delivery = await first_attempt(database, one, resolver=Silent())
    assert (delivery.state, delivery.attempts[0].status) == ("waiting", None)
    assert "receiver.example" in str(delivery.attempts[0].error)
    assert timedelta(seconds=4) <= planned_delay(delivery) <= timedelta(seconds=6)


async def _told(database: Database, one: Receiver, *, key: str | None = None, **wanted: Any) -> Delivery:
    """One attempt at a receiver, which is reached in the way that is wanted."""
    sealed = None if key is None else key.encode()
    async with database.transaction() as tx:
        added, _ = await endpoints.add(
            tx, SEAL, url=one.url, secret=SECRET, wanted=Wanted(**wanted), certificate_key=sealed
        )
        await outbox.ping(tx, added.id)
    assert await Dispatcher(database, SEAL, allowed=LOOPBACK).deliver_due() == 1
    (delivery,) = await deliveries(database, added)
    return delivery


async def test_an_endpoint_is_believed_by_its_own_authority_alone(database: Database) -> None:
    plant, other = Authority("plant"), Authority("another")
    async with receiver(tls=plant.server()) as one:
        assert (await _told(database, one, authority=plant.certificate)).state == "delivered"
        for wanted in ({"authority": other.certificate}, {}):
            failed = await _told(database, one, **wanted)
            assert (failed.state, failed.attempts[0].status) == ("waiting", None)
            assert "CERTIFICATE_VERIFY_FAILED" in str(failed.attempts[0].error)
    one.received[0].event(SECRET)


async def test_an_endpoint_that_wants_a_certificate_is_shown_its_own(database: Database) -> None:
    plant, other = Authority("plant"), Authority("another")
    certificate, key = plant.sign("ledger")
    foreign, foreign_key = other.sign("ledger")
    async with receiver(tls=plant.server(clients=plant)) as one:
        shown = await _told(database, one, authority=plant.certificate, certificate=certificate, key=key)
        assert shown.state == "delivered"
        bare = await _told(database, one, authority=plant.certificate)
        wrong = await _told(database, one, authority=plant.certificate, certificate=foreign, key=foreign_key)
        for failed in (bare, wrong):
            assert (failed.state, failed.attempts[0].status) == ("waiting", None), failed
    assert len(one.received) == 1


_POST_ONCE = """
import asyncio, sys
from ipaddress import ip_network
from service.outgoing import Caller

async def main():
    caller = Caller((ip_network("127.0.0.0/8"),), timeout_s=10, read_bytes=4096, resolver=None)
    async with caller.opened(), caller.post(sys.argv[1], b"{}", {}) as answer:
        print(answer.status)

asyncio.run(main())
"""


async def test_nothing_of_the_environment_leads_elsewhere_or_adds_a_word(tmp_path: Path) -> None:
    async with receiver() as proxy, receiver() as one:
        names = ("http_proxy", "https_proxy", "all_proxy", "HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY")
        netrc = tmp_path / "netrc"
        netrc.write_text("machine 127.0.0.1 login somebody password word\n")
        netrc.chmod(0o600)
        environment = os.environ | dict.fromkeys(names, proxy.url.removesuffix("/hook"))
        environment |= {"NETRC": str(netrc), "no_proxy": "", "NO_PROXY": ""}
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-c", _POST_ONCE, one.url), env=environment, stdout=asyncio.subprocess.PIPE
        )
        said, _ = await process.communicate()
    assert (said.decode().strip(), len(one.received), proxy.received) == ("204", 1, [])
    assert "authorization" not in one.received[0].headers
