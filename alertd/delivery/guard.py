"""Connect to public addresses only, checked on the very address that is connected to.

The name is resolved once; every address it stands for must be allowed; the connection goes to a
checked address and the peer is checked again. So a name that changes its mind between check and
use gains nothing. Names in certificates and in the Host header stay what the URL says.
"""

from __future__ import annotations

import ipaddress
import socket
import threading
from collections.abc import Callable, Iterable
from http.cookiejar import DefaultCookiePolicy
from typing import Any
from urllib.parse import SplitResult, urlsplit

import requests
from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool
from urllib3.exceptions import ConnectTimeoutError, NameResolutionError, NewConnectionError

from alertd.errors import ConfigError, DeliveryRejected

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Network = ipaddress.IPv4Network | ipaddress.IPv6Network
Resolver = Callable[[str, int], Iterable[str]]

# IANA IPv4 Special-Purpose Address Registry, plus multicast and the reserved block (from memory).
_IPV4_SPECIAL = tuple(
    ipaddress.IPv4Network(block)
    for block in (
        "0.0.0.0/8",
        "10.0.0.0/8",
        "100.64.0.0/10",
        "127.0.0.0/8",
        "169.254.0.0/16",
        "172.16.0.0/12",
        "192.0.0.0/24",
        "192.0.2.0/24",
        "192.31.196.0/24",
        "192.52.193.0/24",
        "192.88.99.0/24",
        "192.168.0.0/16",
        "192.175.48.0/24",
        "198.18.0.0/15",
        "198.51.100.0/24",
        "203.0.113.0/24",
        "224.0.0.0/4",
        "240.0.0.0/4",
    )
)
# IPv6 is public only inside 2000::/3, and there not in the blocks that carry another address or none.
_IPV6_PUBLIC = ipaddress.IPv6Network("2000::/3")
_IPV6_SPECIAL = tuple(
    ipaddress.IPv6Network(block)
    for block in ("2001::/23", "2001:db8::/32", "2002::/16", "2620:4f:8000::/48", "3fff::/20")
)


def is_public(address: Address) -> bool:
    """Return whether an address lies in public unicast space; unknown space is not public."""
    if isinstance(address, ipaddress.IPv6Address):
        if address.ipv4_mapped is not None:
            return is_public(address.ipv4_mapped)
        return (
            address.scope_id is None
            and address in _IPV6_PUBLIC
            and not any(address in block for block in _IPV6_SPECIAL)
        )
    return not any(address in block for block in _IPV4_SPECIAL)


def _resolve(host: str, port: int) -> list[str]:
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(entry[4][0]) for entry in found))


class Guard:
    """Says which URLs and addresses may be connected to.

    ``networks`` are the operator's own exceptions in CIDR form, for private targets.
    """

    def __init__(
        self,
        networks: Iterable[str] = (),
        *,
        ports: Iterable[int] = (443, 8443),
        plain_http: bool = False,
        resolve: Resolver = _resolve,
    ) -> None:
        try:
            self._networks: tuple[Network, ...] = tuple(ipaddress.ip_network(text) for text in networks)
        except ValueError as error:
            raise ConfigError(
                f"webhook networks: {error}; write each like 10.20.0.0/16 or fd00:1::/64"
            ) from error
        self._ports = frozenset(ports)
        self._plain_http = plain_http
        self._resolve = resolve

    def is_allowed(self, text: str) -> bool:
        """Return whether an address in text form may be connected to."""
        try:
            address: Address = ipaddress.ip_address(text)
        except ValueError:
            return False
        if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is not None:
            address = address.ipv4_mapped
        return is_public(address) or any(address in network for network in self._networks)

    def check_url(self, url: str) -> SplitResult:
        """Return the parts of a URL that may be called. Raises DeliveryRejected naming the fix."""
        try:
            parts = urlsplit(url)
            port = parts.port
        except ValueError as error:
            raise DeliveryRejected(f"webhook address: not a URL ({error})") from error
        if parts.scheme != "https" and not (parts.scheme == "http" and self._plain_http):
            raise DeliveryRejected("webhook address: must start with https://")
        if not parts.hostname or parts.username is not None or parts.password is not None:
            raise DeliveryRejected("webhook address: needs a host and must not carry a user name or password")
        if parts.fragment:
            raise DeliveryRejected("webhook address: must not carry a #fragment")
        self.check_port(port if port is not None else {"https": 443, "http": 80}[parts.scheme])
        return parts

    def check_port(self, port: int) -> None:
        """Raise DeliveryRejected unless the port may be connected to."""
        if port not in self._ports:
            allowed = ", ".join(str(number) for number in sorted(self._ports))
            raise DeliveryRejected(f"webhook address: port {port} is not allowed; use one of {allowed}")

    def connect(
        self, host: str, port: int, timeout_s: Any, socket_options: Iterable[Any] | None
    ) -> socket.socket:
        """Return a socket connected to a checked address of ``host``.

        Raises
        ------
        DeliveryRejected
            If any address of the name is not allowed.
        OSError
            If no address answers.
        """
        self.check_port(port)
        addresses = list(self._resolve(host, port))
        if not addresses or not all(self.is_allowed(address) for address in addresses):
            raise DeliveryRejected(f"webhook address: {host!r} leads to an address that is not public")
        last_error: OSError | None = None
        for address in addresses:
            try:
                return self._connect_one(address, port, timeout_s, socket_options or ())
            except OSError as error:
                last_error = error
        assert last_error is not None  # noqa: S101  # addresses is not empty, so one attempt failed
        raise last_error

    def _connect_one(
        self, address: str, port: int, timeout_s: Any, socket_options: Iterable[Any]
    ) -> socket.socket:
        family = socket.AF_INET6 if ":" in address else socket.AF_INET
        sock = socket.socket(family, socket.SOCK_STREAM)
        try:
            for option in socket_options:
                sock.setsockopt(*option)
            if timeout_s is None or isinstance(timeout_s, int | float):
                sock.settimeout(timeout_s)
            sock.connect((address, port))
            peer = str(sock.getpeername()[0])
        except BaseException:
            sock.close()
            raise
        if not self.is_allowed(peer):
            sock.close()
            raise DeliveryRejected("webhook address: the connection ended at an address that is not public")
        return sock


class _GuardedConnection(HTTPConnection):
    """Connects through a guard and gives the other side a limited time to start answering."""

    guard: Guard
    total_timeout_s: float

    def _new_conn(self) -> socket.socket:
        try:
            return self.guard.connect(self.host.strip("[]"), self.port, self.timeout, self.socket_options)
        except socket.gaierror as error:
            raise NameResolutionError(self.host, self, error) from error
        except (TimeoutError, UnicodeError) as error:
            raise ConnectTimeoutError(self, f"connecting to {self.host} failed: {error}") from error
        except OSError as error:
            raise NewConnectionError(self, f"connecting to {self.host} failed: {error}") from error

    def getresponse(self) -> Any:
        # A socket timeout starts anew with every byte; the timer also ends an answer that only drips.
        timer = threading.Timer(self.total_timeout_s, self._cut)
        timer.daemon = True
        timer.start()
        try:
            return super().getresponse()
        finally:
            timer.cancel()

    def _cut(self) -> None:
        sock = self.sock
        if sock is not None:
            try:
                sock.shutdown(socket.SHUT_RDWR)
            except OSError:  # already gone
                return


class _GuardedTlsConnection(_GuardedConnection, HTTPSConnection):
    """The same over TLS; certificate and SNI stay with the name in the URL."""


class GuardedAdapter(HTTPAdapter):
    """A ``requests`` adapter whose every connection goes through a guard; it knows no proxy."""

    def __init__(self, guard: Guard, *, total_timeout_s: float = 20.0, connections: int = 32) -> None:
        self.guard = guard
        self.total_timeout_s = total_timeout_s
        super().__init__(pool_connections=connections, pool_maxsize=connections, max_retries=0)

    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
        """Build the pools from connection classes bound to the guard."""
        super().init_poolmanager(*args, **kwargs)
        bound = {"guard": self.guard, "total_timeout_s": self.total_timeout_s}
        plain = type("BoundConnection", (_GuardedConnection,), bound)
        tls = type("BoundTlsConnection", (_GuardedTlsConnection,), bound)
        self.poolmanager.pool_classes_by_scheme = {
            "http": type("BoundPool", (HTTPConnectionPool,), {"ConnectionCls": plain}),
            "https": type("BoundTlsPool", (HTTPSConnectionPool,), {"ConnectionCls": tls}),
        }

    def proxy_manager_for(self, proxy: str, **_kwargs: Any) -> Any:
        """Refuse: a proxy would connect where the guard cannot look."""
        raise DeliveryRejected(f"webhooks go out directly, not through the proxy {proxy!r}")


class _StraightSession(requests.Session):
    """Follows no redirect: the address that was agreed on is the address."""

    def get_redirect_target(self, resp: requests.Response) -> None:
        """Return none, whatever the answer says."""
        return


def guarded_session(guard: Guard, *, total_timeout_s: float = 20.0) -> requests.Session:
    """Return a session that reaches only what the guard allows; no environment, no cookies."""
    session = _StraightSession()
    session.trust_env = False
    session.cookies.set_policy(DefaultCookiePolicy(allowed_domains=[]))
    session.headers["accept-encoding"] = "identity"
    adapter = GuardedAdapter(guard, total_timeout_s=total_timeout_s)
    session.mount("https://", adapter)
    session.mount("http://", adapter)
    return session
