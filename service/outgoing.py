"""Calls to other servers: which addresses they may reach, and by which certificates both sides are known.

Rules of this file
- Every socket is made by `Gate.make_socket`, which sees the address that is really connected to. Names are checked
  once more when they resolve: one forbidden address among several refuses the name.
- Nothing comes from the environment: no proxy, no credentials of a user's.
"""

import asyncio
import errno
import socket
import ssl
import tempfile
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Final

import aiohttp
from aiohttp.abc import AbstractResolver, ResolveResult

from service.domain.address import EVERY_NETWORK, AddressRefused, Network, UrlMalformed, address_rule, target_of
from service.domain.refusal import Refusal

LOOKUP_S: Final = 3.0


class CertificateUnusable(Refusal):
    """A client certificate, its key or an authority that no TLS connection can be made with."""

    code = "certificate_unusable"


class AddressClosed(OSError):
    """The address a name led to may not be called."""

    def __init__(self, address: str, rule: str) -> None:
        super().__init__(errno.EACCES, f"{AddressRefused.code}: {address} (rule {rule})")
        self.address, self.rule = address, rule


class Gate(AbstractResolver):
    """Where sockets are made and names resolved for one scheme: closed to what `address_rule` refuses."""

    def __init__(self, allowed: Sequence[Network], *, plain: bool, resolver: AbstractResolver) -> None:
        self._allowed = allowed
        self._plain = plain
        self._resolver = resolver

    def check(self, address: str) -> None:
        rule = address_rule(address, self._allowed, plain=self._plain)
        if rule is not None:
            raise AddressClosed(address, rule)

    def make_socket(self, info: tuple[Any, Any, int, str, tuple[Any, ...]]) -> socket.socket:
        family, kind, protocol, _, address = info
        self.check(str(address[0]))
        return socket.socket(family, kind, protocol)

    async def resolve(
        self, host: str, port: int = 0, family: socket.AddressFamily = socket.AF_UNSPEC
    ) -> list[ResolveResult]:
        found = await self._resolver.resolve(host, port, family)
        for one in found:
            self.check(one["host"])
        return found

    async def close(self) -> None:
        """The resolver belongs to whoever made it."""


async def check_target(
    url: str, allowed: Sequence[Network], *, resolver: AbstractResolver | None = None, pointer: str = "/url"
) -> None:
    """Refuses a URL that could never be posted to, as far as can be known now: each connect is checked again.

    A name that does not resolve now is taken over https (it is retried like any failure) and refused over http,
    which is for allowed addresses only. Raises UrlMalformed, UrlHasCredentials or AddressRefused.
    """
    target = target_of(url, pointer)
    gate = Gate(allowed, plain=target.plain, resolver=resolver or aiohttp.ThreadedResolver())
    try:
        if ":" in target.host:
            gate.check(target.host)
            return
        async with asyncio.timeout(LOOKUP_S):
            await gate.resolve(target.host, target.port)
    except AddressClosed as closed:
        raise AddressRefused(_refused(closed, plain=target.plain), pointer=pointer) from closed
    except UnicodeError as error:
        raise UrlMalformed(f"{target.host} is no host name", pointer=pointer) from error
    except OSError as error:
        if target.plain:
            text = f"{target.host} does not resolve, and {_PLAIN} (rule plain_http)"
            raise AddressRefused(text, pointer=pointer) from error


_PLAIN: Final = "http without TLS goes to networks that SPINDLE_LEDGER_WEBHOOK_CIDRS names, and to no other"


def _refused(closed: AddressClosed, *, plain: bool) -> str:
    """Why an address may not be called, and what opens it where anything does."""
    text = f"{closed.address} (rule {closed.rule}) may not be called"
    if closed.rule == "plain_http":
        return f"{text}: {_PLAIN}; https goes there"
    if address_rule(closed.address, EVERY_NETWORK, plain=plain) is None:
        return f"{text}: it is not public; SPINDLE_LEDGER_WEBHOOK_CIDRS names networks that may be called all the same"
    return f"{text}: nothing opens such an address"


def tls_context(certificate: str | None, key: bytes | None, authority: str | None) -> ssl.SSLContext:
    """A context for one endpoint: its server is believed by `authority` (PEM) alone where that is given, else by the
    system's; `certificate` with `key` (PEM, without a passphrase) is what it is shown. Raises CertificateUnusable.
    """
    try:
        context = ssl.create_default_context(cadata=authority)
    except (ssl.SSLError, ValueError) as error:
        raise CertificateUnusable(f"no certificates of an authority: {error}", pointer="/authority") from error
    if certificate is None or key is None:
        return context
    with tempfile.TemporaryDirectory() as folder:
        # The library takes a certificate from files only; the folder is this user's alone and goes at once.
        chain, private = Path(folder) / "chain.pem", Path(folder) / "key.pem"
        chain.write_text(certificate, "ascii")
        private.write_bytes(key)
        try:
            context.load_cert_chain(chain, private, password=lambda: b"")
        except (ssl.SSLError, ValueError, OSError) as error:
            raise CertificateUnusable(f"no certificate with its key: {error}", pointer="/certificate") from error
    return context


class Caller:
    """Posts, each within `timeout_s` from the look-up of the name to the answer's last byte.

    One session speaks https and one http, each with its own gate. Contexts of endpoints with certificates of their own
    are kept while they are used.
    """

    def __init__(
        self, allowed: Sequence[Network], *, timeout_s: float, read_bytes: int, resolver: AbstractResolver | None
    ) -> None:
        self._allowed = tuple(allowed)
        self._timeout_s = timeout_s
        self._read_bytes = read_bytes
        self._resolver = resolver or aiohttp.ThreadedResolver()
        self._contexts: dict[tuple[str | None, bytes | None, str | None], ssl.SSLContext] = {}
        self._sessions: dict[bool, aiohttp.ClientSession] = {}

    @asynccontextmanager
    async def opened(self) -> AsyncIterator[None]:
        encrypted, plain = self._session(plain=False), self._session(plain=True)
        async with encrypted, plain:
            self._sessions = {False: encrypted, True: plain}
            yield

    def _session(self, *, plain: bool) -> aiohttp.ClientSession:
        gate = Gate(self._allowed, plain=plain, resolver=self._resolver)
        return aiohttp.ClientSession(
            connector=aiohttp.TCPConnector(socket_factory=gate.make_socket, resolver=gate, limit=0),
            cookie_jar=aiohttp.DummyCookieJar(),
            timeout=aiohttp.ClientTimeout(total=self._timeout_s),
            auto_decompress=False,
            read_bufsize=self._read_bytes,
            trust_env=False,
        )

    def post(
        self,
        url: str,
        body: bytes,
        headers: dict[str, str],
        *,
        certificate: str | None = None,
        certificate_key: bytes | None = None,
        authority: str | None = None,
    ) -> Any:
        """The answer, as an asynchronous context; redirects are not followed.

        Raises what aiohttp raises, OSError, TimeoutError, CertificateUnusable, and what `target_of` raises.
        """
        plain = target_of(url).plain
        by: ssl.SSLContext | bool = True
        if not plain and (certificate is not None or authority is not None):
            known = (certificate, certificate_key, authority)
            if known not in self._contexts:
                self._contexts[known] = tls_context(*known)
            by = self._contexts[known]
        return self._sessions[plain].post(url, data=body, headers=headers, allow_redirects=False, ssl=by)
