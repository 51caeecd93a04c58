"""Under which names this service may be asked. A foreign name that resolves to us (DNS rebinding) is none of them."""

from __future__ import annotations

import re
import socket
from collections.abc import Iterable
from ipaddress import IPv6Address, ip_address
from typing import Any
from urllib.parse import urlsplit

LOOPBACK_NAMES = frozenset({"127.0.0.1", "localhost", "[::1]"})
PORT = re.compile(r"(:[0-9]{1,5})?")
"""All that may follow the name."""
PORTS = {"http": ":80", "https": ":443"}


class Hosts:
    """The names, from how the service was started."""

    def __init__(self, names: Iterable[str] = (), behind: str = "") -> None:
        """`behind` is the origin under which a reverse proxy shows this service, for example https://name.example."""
        own = socket.gethostname().lower()
        self.names = frozenset({name.lower() for name in names} | {own, f"{own}.local"})
        self.behind = behind.rstrip("/").lower()
        self._proxied = urlsplit(self.behind).netloc

    def allowed(self, outside: bool, server: str) -> list[str]:
        """Every host name that is good for a connection to `server`, an address of this computer."""
        if self.behind and not outside:
            return sorted({self._proxied, *LOOPBACK_NAMES})
        return sorted(self.names | {literal(server)} | (frozenset() if outside else LOOPBACK_NAMES))

    def origin(self, scope: Any, host: str) -> str | None:
        """The only origin that a page asking with this Host can have; None when the Host is none of ours."""
        outside, host = bool(scope.get("outside")), host.lower()
        if self.behind and not outside and host == self._proxied:
            return self.behind
        server = (scope.get("server") or ("", None))[0]
        fits = host_name(host) in self.allowed(outside, server) and PORT.fullmatch(host.removeprefix(host_name(host)))
        return f"{scope.get('scheme', 'http')}://{host}" if fits else None

    def secure(self, scope: Any, host: str) -> bool:
        """Whether the browser speaks TLS, to us or to the proxy."""
        return scope.get("scheme") == "https" or (bool(self.behind) and host.lower() == self._proxied
                                                  and self.behind.startswith("https://"))


def same_origin(one: str, other: str) -> bool:
    """Compared as browsers write it: without the port that the scheme has anyway."""
    return _plain(one) == _plain(other)


def _plain(origin: str) -> str:
    origin = origin.lower()
    return origin.removesuffix(PORTS.get(origin.partition(":")[0], "-"))


def host_name(host: str) -> str:
    """The name without the port; an IPv6 address keeps its brackets."""
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0]


def literal(address: str) -> str:
    """An address as it stands in a Host header."""
    try:
        found = ip_address(address)
    except ValueError:
        return address.lower()
    if isinstance(found, IPv6Address):
        return str(found.ipv4_mapped) if found.ipv4_mapped else f"[{found}]"
    return str(found)


def is_loopback(address: str) -> bool:
    try:
        return ip_address(address).is_loopback
    except ValueError:
        return False


def network_of(address: str) -> str:
    """What tries are counted by: an IPv4 address, or the /64 of an IPv6 one, which is one household's."""
    try:
        found = ip_address(address)
    except ValueError:
        return address
    if isinstance(found, IPv6Address) and not found.ipv4_mapped:
        return str(IPv6Address(int(found) >> 64 << 64))
    return literal(address)
