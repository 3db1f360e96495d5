"""Where a webhook may be sent: what its URL may look like, and which network addresses may be called.

Rules of this file
- The list is written out: the library's `is_global` holds multicast, NAT64 and 6to4 for public.
- A host is written in one way only, so that nobody who reads the URL after us can take it for another.
- An address that carries another (mapped, compatible, translated, NAT64, 6to4, Teredo) is judged by every address
  it carries, and by its own form.
- Every rule that refuses has a name.
- `allowed` opens what is merely not public. What may never be called stays closed, even where `allowed` names it.
"""

import re
from collections.abc import Iterable, Sequence
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import Final, TypeAlias
from urllib.parse import urlsplit

from msgspec import Struct

from service.domain.refusal import Refusal

Address: TypeAlias = IPv4Address | IPv6Address
Network: TypeAlias = IPv4Network | IPv6Network

URL_CHARACTERS_MAX: Final = 2048
_URL: Final = re.compile(r"https?://[^\x00-\x20\x7f\\^`{|}<>\"/?#]+[^\x00-\x20\x7f\\^`{|}<>\"]*\Z", re.IGNORECASE)
_LABEL: Final = r"[a-z0-9_](?:[a-z0-9_-]{0,61}[a-z0-9_])?"
_AUTHORITY: Final = re.compile(
    rf"(?:(?P<name>{_LABEL}(?:\.{_LABEL})*\.?)|\[(?P<six>[0-9a-f:.]+)\])(?::[0-9]*)?\Z", re.IGNORECASE | re.ASCII
)

_NEVER: Final[tuple[tuple[str, str], ...]] = (
    ("unspecified", "0.0.0.0/8"),  # RFC 1122, 3.2.1.3; systems take 0.0.0.0 as "this host"
    ("unspecified", "::/128"),  # RFC 4291, 2.5.2
    ("broadcast", "255.255.255.255/32"),  # RFC 919
    ("link_local", "169.254.0.0/16"),  # RFC 3927; clouds answer with credentials here
    ("link_local", "fe80::/10"),  # RFC 4291, 2.5.6
    ("multicast", "224.0.0.0/4"),  # RFC 5771
    ("multicast", "ff00::/8"),  # RFC 4291, 2.7
    ("metadata", "100.100.100.200/32"),  # metadata services outside the link-local range
    ("metadata", "192.0.0.192/32"),
    ("metadata", "168.63.129.16/32"),
    ("metadata", "fd00:ec2::/32"),
    ("metadata", "fd20:ce::/32"),
)

_NOT_PUBLIC: Final[tuple[tuple[str, str], ...]] = (
    ("loopback", "127.0.0.0/8"),  # RFC 1122
    ("loopback", "::1/128"),  # RFC 4291
    ("private", "10.0.0.0/8"),  # RFC 1918
    ("private", "172.16.0.0/12"),
    ("private", "192.168.0.0/16"),
    ("shared", "100.64.0.0/10"),  # RFC 6598
    ("protocol_assignments", "192.0.0.0/24"),  # RFC 6890
    ("documentation", "192.0.2.0/24"),  # RFC 5737
    ("documentation", "198.51.100.0/24"),
    ("documentation", "203.0.113.0/24"),
    ("documentation", "2001:db8::/32"),  # RFC 3849
    ("documentation", "3fff::/20"),  # RFC 9637
    ("relay_anycast", "192.88.99.0/24"),  # RFC 7526
    ("benchmarking", "198.18.0.0/15"),  # RFC 2544
    ("reserved", "240.0.0.0/4"),  # RFC 1112
    ("mapped", "::ffff:0:0/96"),  # RFC 4291, 2.5.5.2
    ("compatible", "::/96"),  # RFC 4291, 2.5.5.1
    ("translated", "::ffff:0:0:0/96"),  # RFC 2765
    ("nat64", "64:ff9b::/96"),  # RFC 6052
    ("nat64", "64:ff9b:1::/48"),  # RFC 8215
    ("discard", "100::/64"),  # RFC 6666
    ("teredo", "2001::/32"),  # RFC 4380
    ("protocol_assignments", "2001::/23"),  # RFC 2928
    ("6to4", "2002::/16"),  # RFC 3056
    ("segment_routing", "5f00::/16"),  # RFC 9602
    ("unique_local", "fc00::/7"),  # RFC 4193
    ("site_local", "fec0::/10"),  # RFC 3879
)

_NEVER_NETWORKS: Final = tuple((rule, ip_network(text)) for rule, text in _NEVER)
_NOT_PUBLIC_NETWORKS: Final = tuple((rule, ip_network(text)) for rule, text in _NOT_PUBLIC)
EVERY_NETWORK: Final[tuple[Network, ...]] = (IPv4Network("0.0.0.0/0"), IPv6Network("::/0"))
"""Opened, these show which rules can be opened at all."""
_GLOBAL_UNICAST: Final = IPv6Network("2000::/3")  # RFC 4291, 2.4: everything else in IPv6 is not assigned
_ISATAP: Final = (b"\x00\x00\x5e\xfe", b"\x02\x00\x5e\xfe")  # RFC 5214, 6.1: an interface identifier with an IPv4
_LOCAL_NAT64: Final = IPv6Network("64:ff9b:1::/48")
_LOCAL_NAT64_BYTES: Final = ((6, 7, 9, 10), (7, 9, 10, 11), (9, 10, 11, 12), (12, 13, 14, 15))  # RFC 6052, 2.2
_LAST_FOUR: Final = tuple(IPv6Network(text) for text in ("::ffff:0:0/96", "::/96", "::ffff:0:0:0/96", "64:ff9b::/96"))


class UrlMalformed(Refusal):
    """No http or https URL that a webhook could be posted to."""

    code = "url_malformed"


class UrlHasCredentials(Refusal):
    """A URL that carries a user or a password: they would end up in lists and logs."""

    code = "url_has_credentials"


class AddressRefused(Refusal):
    """A URL whose address may not be called; the detail names the address and the rule."""

    code = "address_not_allowed"


class Target(Struct, frozen=True, kw_only=True):
    """Where a URL points. `plain` is True for http, without TLS."""

    host: str
    port: int
    plain: bool


def target_of(url: str, pointer: str = "/url") -> Target:
    """Where this URL points (RFC 3986). Raises UrlMalformed or UrlHasCredentials."""
    if len(url) > URL_CHARACTERS_MAX:
        raise UrlMalformed(f"a URL has at most {URL_CHARACTERS_MAX} characters", pointer=pointer)
    if not _URL.match(url):
        raise UrlMalformed("expected an absolute https URL, without blanks", pointer=pointer)
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        # Some releases of the library refuse brackets that others read: the host is judged first, by our own rule.
        authority = re.split(r"[/?#]", url.partition("//")[2], maxsplit=1)[0]
        if "@" not in authority and authority.count("[") == authority.count("]") > 0:
            _host_of(authority, pointer)
        raise UrlMalformed(f"no URL: {error}", pointer=pointer) from error
    if "@" in parts.netloc:
        raise UrlHasCredentials("a URL carries no user and no password; requests are signed instead", pointer=pointer)
    if not parts.hostname or port == 0:
        raise UrlMalformed("the URL names no host and port to call", pointer=pointer)
    host = _host_of(parts.netloc, pointer)
    if "#" in url:
        raise UrlMalformed("a fragment is never sent: leave it out", pointer=pointer)
    plain = parts.scheme == "http"
    return Target(host=host, port=port if port is not None else (80 if plain else 443), plain=plain)


def _host_of(authority: str, pointer: str) -> str:
    """The host as every reader of the URL takes it: a name, or an address in the spelling of today."""
    written = _AUTHORITY.match(authority)
    if written is None:
        where = f"{authority!a} is no host as it is written today"
        if "%" in authority and "[" in authority:
            raise AddressRefused(f"{where}: an address has no zone here (rule zone)", pointer=pointer)
        raise AddressRefused(
            f"{where}: letters, digits and hyphens between points, or an address; an international name by its xn-- "
            "form (rule not_canonical)",
            pointer=pointer,
        )
    name = (written["name"] or written["six"]).lower()
    version = 6 if written["six"] else 4 if _ends_in_number(name) else None
    if version is not None and not _is_address(name, version):
        raise AddressRefused(f"{name} is no address as it is written today (rule not_canonical)", pointer=pointer)
    return name


def _ends_in_number(host: str) -> bool:
    """Whether systems may take a host for an IPv4 address in an old spelling: 2130706433, 0x7f.1, 0177.0.0.1."""
    last = host.rstrip(".").rpartition(".")[2]
    return re.fullmatch(r"[0-9]+|0x[0-9a-f]*", last) is not None


def _is_address(host: str, version: int) -> bool:
    """IPv4 in its only spelling; IPv6 in any (they all mean the same to everyone)."""
    try:
        return str(IPv4Address(host)) == host if version == 4 else bool(IPv6Address(host).packed)
    except ValueError:
        return False


def address_rule(address: Address | str, allowed: Sequence[Network], *, plain: bool = False) -> str | None:
    """The name of the rule that refuses this address, or None where it may be called.

    `allowed` are networks that are opened although they are not public; a form that carries IPv4 is open where
    everything it carries is. With `plain` (http without TLS) only what `allowed` opens may be called.
    Raises ValueError where a text is no address.
    """
    outer = ip_address(address.partition("%")[0]) if isinstance(address, str) else address
    carried = _carried(outer)
    never = [rule for one in (*carried, outer) if (rule := _rule(one, _NEVER_NETWORKS))]
    if never:
        return never[0]
    closed = [rule for one in carried if not _within(one, allowed) and (rule := _rule(one, _NOT_PUBLIC_NETWORKS))]
    if closed:
        return closed[0]
    if _within(outer, allowed) or (carried and all(_within(one, allowed) for one in carried)):
        return None
    rule = _rule(outer, _NOT_PUBLIC_NETWORKS)
    if rule is None and isinstance(outer, IPv6Address) and outer not in _GLOBAL_UNICAST:
        return "not_global_unicast"
    return "plain_http" if rule is None and plain else rule


def _carried(address: Address) -> tuple[IPv4Address, ...]:
    """The IPv4 addresses inside an IPv6 address."""
    if not isinstance(address, IPv6Address) or int(address) <= 1:
        return ()
    packed = address.packed
    if any(address in network for network in _LAST_FOUR):
        return (IPv4Address(packed[12:]),)
    if address in _LOCAL_NAT64:
        places = (IPv4Address(bytes(packed[place] for place in places)) for places in _LOCAL_NAT64_BYTES)
        return tuple(one for one in places if one.packed[0] != 0)
    inside = (IPv4Address(packed[12:]),) if packed[8:12] in _ISATAP else ()
    if address.sixtofour is not None:
        return (address.sixtofour, *inside)
    return inside if address.teredo is None else address.teredo


def _rule(address: Address, rules: Iterable[tuple[str, Network]]) -> str | None:
    """The rule with the narrowest network that holds this address."""
    found = [(network.prefixlen, rule) for rule, network in rules if _in(address, network)]
    return max(found)[1] if found else None


def _within(address: Address, networks: Iterable[Network]) -> bool:
    return any(_in(address, network) for network in networks)


def _in(address: Address, network: Network) -> bool:
    return address.version == network.version and address in network
