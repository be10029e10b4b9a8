"""Where a webhook may lead.

A client chooses the address that the service connects to, from inside the operator's network. So an address is refused
unless it lies in the public internet: once when a webhook is made, to tell the client at once, and at every try, since
what a name stands for may change. A try resolves the name once and connects to the very address that was looked at.
"""

import asyncio
import ipaddress
import re
import socket
from collections.abc import Awaitable, Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from urllib.parse import urlsplit

import httpcore

from service.errors import AirsideError

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Resolve = Callable[[str, int], Awaitable[Sequence[str]]]
"""Host and port to IP addresses; raises OSError where the name stands for none."""

MOST_ADDRESSES = 4
"""Addresses of a name that are tried one after the other."""


def _networks(*written: str) -> tuple[ipaddress.IPv4Network | ipaddress.IPv6Network, ...]:
    return tuple(ipaddress.ip_network(network) for network in written)


_SPECIAL = _networks(
    "0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "168.63.129.16/32", "169.254.0.0/16", "172.16.0.0/12",
    "192.0.0.0/24", "192.0.2.0/24", "192.31.196.0/24", "192.52.193.0/24", "192.88.99.0/24", "192.168.0.0/16",
    "192.175.48.0/24", "198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24", "224.0.0.0/4", "240.0.0.0/4",
    "::/96", "::ffff:0:0:0/96", "64:ff9b:1::/48", "100::/64", "100:0:0:1::/64", "2001::/23", "2001:db8::/32",
    "2620:4f:8000::/48", "3fff::/20", "5f00::/16", "fc00::/7", "fe80::/10", "fec0::/10", "ff00::/8",
)  # fmt: skip
"""The IANA registries of special-purpose addresses (RFC 6890 and its updates), multicast, what IPv4 was embedded in of
old, what was local once, and an address of a hosting platform. `is_global` says most of it, but differs between
versions of Python."""

_NEVER = _networks(
    "0.0.0.0/8", "100.100.100.200/32", "168.63.129.16/32", "169.254.0.0/16", "192.0.0.192/32", "224.0.0.0/4",
    "240.0.0.0/4", "::/128", "fd00:ec2::/32", "fe80::/10", "ff00::/8",
)  # fmt: skip
"""What an operator who allows private targets does not mean: no address, link-local and multicast ones, and where
hosting platforms give a machine its credentials (those outside link-local from memory)."""

_EMBEDDING = _networks("::ffff:0:0/96", "64:ff9b::/96")
_6TO4 = ipaddress.ip_network("2002::/16")
_NUMBER = re.compile(r"[0-9]+|0[xX][0-9A-Fa-f]*")

_to_send = ThreadPoolExecutor(64, "resolve to send")
_to_tell = ThreadPoolExecutor(4, "resolve to tell")
"""Threads of their own: name servers that do not answer, which a client may choose, must hold up neither the judging of
visits nor, from requests, the sending."""


class TargetRefused(AirsideError):
    """An address that the service does not send to; says why in words for the client."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


def may_be_reached(address: Address, *, private_targets: bool) -> bool:
    """Whether an address lies in the public internet, or in a private or local network where those are allowed. Of an
    IPv6 address that an IPv4 one stands within, that one decides."""
    if isinstance(address, ipaddress.IPv6Address):
        shift = 0 if any(address in network for network in _EMBEDDING) else 80 if address in _6TO4 else None
        if shift is not None:
            within = ipaddress.IPv4Address(int(address) >> shift & 0xFFFFFFFF)
            return may_be_reached(within, private_targets=private_targets)
    if any(address in network for network in _NEVER):
        return False
    return private_targets or (address.is_global and not any(address in network for network in _SPECIAL))


def looked_at(addresses: Iterable[str], *, private_targets: bool) -> list[str]:
    """The addresses of a name, where all of them may be reached.

    Raises
    ------
    TargetRefused : one may not
    """
    found = list(addresses)
    for address in found:
        if not may_be_reached(ipaddress.ip_address(address.partition("%")[0]), private_targets=private_targets):
            raise TargetRefused("it leads to a private, local or otherwise special network")
    return found


def refuse_url(url: str, *, private_targets: bool) -> tuple[str, int]:
    """Host and port of an address to send to, as far as it can be told without resolving.

    Parameters
    ----------
    url : matches the pattern of the contract
    private_targets : whether the operator allows private and local networks, plain `http` and any port

    Raises
    ------
    TargetRefused : it is not sent to
    """
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port
    except ValueError:
        raise TargetRefused("it cannot be read as an address") from None
    if not host or parts.username is not None or parts.scheme not in ("http", "https"):
        raise TargetRefused("it cannot be read as an address")
    literal = _literal(host)
    if literal is None and _NUMBER.fullmatch(host.rstrip(".").rpartition(".")[2]):
        raise TargetRefused("a host that ends in a number must be an IPv4 address of four decimal numbers")
    if literal is None and not all(0 < len(label) < 64 for label in host.removesuffix(".").split(".")):
        raise TargetRefused("it cannot be read as an address")
    port = port or (443 if parts.scheme == "https" else 80)
    if not private_targets:
        if parts.scheme != "https":
            raise TargetRefused("it must begin with https")
        if port != 443 and port < 1024:
            raise TargetRefused("its port must be 443, or 1024 or higher")
    if literal is not None:
        looked_at([str(literal)], private_targets=private_targets)
    return host, port


def _literal(host: str) -> Address | None:
    try:
        return ipaddress.ip_address(host)
    except ValueError:
        return None


async def resolve(host: str, port: int) -> Sequence[str]:
    """The IP addresses of a host, in the order of preference of the system.

    Raises
    ------
    OSError : it stands for none
    """
    return await asyncio.get_running_loop().run_in_executor(_to_send, _resolve, host, port)


async def _resolve_to_tell(host: str, port: int) -> Sequence[str]:
    return await asyncio.get_running_loop().run_in_executor(_to_tell, _resolve, host, port)


def _resolve(host: str, port: int) -> Sequence[str]:
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except UnicodeError:  # a label that the codec of names cannot take
        raise OSError("not a name") from None
    return list(dict.fromkeys(str(entry[4][0]) for entry in found))


async def refuse_target(
    url: str, *, private_targets: bool, seconds: float = 1.0, by: Resolve = _resolve_to_tell
) -> None:
    """Refuse, for now, an address that leads where the service does not send to. A name that stands for nothing yet,
    or that takes longer than `seconds`, passes: every try looks again.

    Raises
    ------
    TargetRefused : it is not sent to
    """
    host, port = refuse_url(url, private_targets=private_targets)
    try:
        async with asyncio.timeout(seconds):
            addresses = await by(host, port)
    except (OSError, TimeoutError):
        return
    looked_at(addresses, private_targets=private_targets)


class CheckedNetwork(httpcore.AsyncNetworkBackend):
    """Opens connections: resolves the name once, looks at every address, and connects to one of those looked at.

    TLS and the `Host` field still go by the name, so certificates are checked as ever.

    Raises `TargetRefused` where an address may not be reached.
    """

    def __init__(self, *, private_targets: bool, by: Resolve = resolve) -> None:
        self._network = httpcore.AnyIOBackend()
        self._private_targets = private_targets
        self._resolve = by

    async def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[httpcore.SOCKET_OPTION] | None = None,
    ) -> httpcore.AsyncNetworkStream:
        """Connect to the first address that takes the connection."""
        try:
            resolved = await self._resolve(host, port)
        except OSError as failure:
            raise httpcore.ConnectError("the name stands for no address") from failure
        addresses = looked_at(resolved, private_targets=self._private_targets)
        failed: Exception = httpcore.ConnectError("the name stands for no address")
        for address in addresses[:MOST_ADDRESSES]:
            try:
                return await self._network.connect_tcp(address, port, timeout, local_address, socket_options)
            except (httpcore.ConnectError, httpcore.ConnectTimeout) as failure:
                failed = failure
        raise failed

    async def sleep(self, seconds: float) -> None:
        """Wait."""
        await asyncio.sleep(seconds)
