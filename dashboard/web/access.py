"""Who may reach the pages, and over which connection. The safe way needs no words; every other has to be asked for."""

from __future__ import annotations

import ipaddress
import re
from dataclasses import dataclass

from thermal.fields import InputError, Range, shown

DEFAULT_HOST, DEFAULT_PORT = "127.0.0.1", 8321
_EVERYWHERE = "0.0.0.0"
PORT = Range("", at_least=0.0, at_most=65535.0)
_LOCAL_NAMES = ("localhost", "127.0.0.1")
_NAME = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?")


@dataclass(frozen=True)
class Access:
    """How the server is reached.

    Attributes:
        host, port: where it listens; port 0: a free one. names: names or addresses by which browsers call it, besides
        this computer's own; others are refused, or a foreign page could reach it through a name of its own.
        behind_proxy: a proxy on this computer takes the connections, speaks TLS, and passes them on.
        plain_http: passwords may cross the network unencrypted.
    """

    host: str = DEFAULT_HOST
    port: int = DEFAULT_PORT
    names: tuple[str, ...] = ()
    behind_proxy: bool = False
    plain_http: bool = False

    @property
    def local(self) -> bool:
        """Whether only this computer can connect."""
        return _is_loopback(self.host)

    @property
    def from_network(self) -> bool:
        """Whether other computers reach the pages."""
        return self.behind_proxy or not self.local

    @property
    def trusted(self) -> list[str]:
        """Host names of requests that are answered."""
        own = [] if self.host == _EVERYWHERE else [self.host]
        return list(dict.fromkeys([*_LOCAL_NAMES, *own, *self.names]))


def check(access: Access, has_accounts: bool) -> None:
    """Refuse a way of access that is not safe, or that nobody could use.

    Raises:
        InputError: the sentence says why, and what to do.
    """
    if not PORT.holds(access.port):
        raise InputError(f"port {access.port}: expected 0 to 65535")
    if not _is_host(access.host):
        raise InputError(f"host {shown(access.host)}: expected an IPv4 address of this computer, or localhost")
    for name in access.names:
        if not _NAME.fullmatch(name):
            raise InputError(f"name {shown(name)}: expected a host name or address, no port, as oven-pc.shop.example")
    if access.from_network and not has_accounts:
        raise InputError(
            f"host {access.host}: other computers would reach the pages, so people have to sign in: turn accounts on, "
            f"or listen on {DEFAULT_HOST}"
        )
    if access.behind_proxy and not access.local:
        raise InputError(
            f"host {access.host} behind a proxy: whoever connects past the proxy could name any address as its own: "
            f"listen on {DEFAULT_HOST}, with the proxy on this computer"
        )
    if access.behind_proxy and not access.names:
        raise InputError("behind a proxy: expected the name by which browsers call it, as oven-pc.shop.example")
    if not access.local and not access.plain_http:
        raise InputError(
            f"host {access.host}: passwords would cross the network unencrypted, for everybody on it to read. Put a "
            f"proxy that speaks TLS before it and listen on {DEFAULT_HOST} (docs/access.md shows how); where "
            "the network is yours alone, say plain HTTP explicitly"
        )
    if access.host == _EVERYWHERE and not access.names:
        raise InputError(f"host {access.host}: expected the name or address by which browsers call this computer too")


def _is_host(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).version == 4
    except ValueError:
        return False


def _is_loopback(host: str) -> bool:
    return host == "localhost" or (_is_host(host) and ipaddress.ip_address(host).is_loopback)
