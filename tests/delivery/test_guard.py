"""The guard lets webhooks reach public addresses only."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable, Iterator

import pytest
import requests
from hypothesis import given
from hypothesis import strategies as st

from alertd.delivery.guard import Guard, GuardedAdapter, guarded_session, is_public
from alertd.errors import ConfigError, DeliveryRejected
from tests.delivery.conftest import Receiver

# Blocks of the IANA IPv4 and IPv6 Special-Purpose Address Registries and of the transition
# mechanisms that carry a private address inside (RFC 6052, RFC 3056, RFC 4291); from memory.
NOT_PUBLIC = [
    "0.0.0.0",
    "10.1.2.3",
    "100.64.0.1",
    "127.0.0.1",
    "127.255.255.254",
    "169.254.169.254",
    "172.16.0.1",
    "172.31.255.255",
    "192.0.0.8",
    "192.0.2.1",
    "192.88.99.1",
    "192.168.1.1",
    "198.18.0.1",
    "198.51.100.7",
    "203.0.113.9",
    "224.0.0.1",
    "239.1.1.1",
    "240.0.0.1",
    "255.255.255.255",
    "::",
    "::1",
    "::127.0.0.1",
    "::ffff:127.0.0.1",
    "::ffff:10.0.0.1",
    "::ffff:0:127.0.0.1",
    "64:ff9b::7f00:1",
    "64:ff9b:1::1",
    "100::1",
    "2001::1",
    "2001:db8::1",
    "2002:7f00:1::",
    "3fff::1",
    "5f00::1",
    "fc00::1",
    "fd12:3456::1",
    "fe80::1",
    "fe80::1%2",
    "fec0::1",
    "ff02::1",
]
PUBLIC = [
    "8.8.8.8",
    "1.1.1.1",
    "172.32.0.1",
    "100.128.0.1",
    "2606:4700::1111",
    "2a00:1450::1",
    "::ffff:8.8.8.8",
]


@pytest.mark.parametrize("text", NOT_PUBLIC)
def test_an_address_that_is_not_public_is_refused(text: str) -> None:
    assert not Guard().is_allowed(text)


@pytest.mark.parametrize("text", PUBLIC)
def test_a_public_address_is_allowed(text: str) -> None:
    assert Guard().is_allowed(text)


def test_text_that_is_no_address_is_refused() -> None:
    assert not Guard().is_allowed("0x7f.1")


@given(st.ip_addresses(v=4))
def test_no_ipv4_address_that_python_calls_private_is_public(address: ipaddress.IPv4Address) -> None:
    if address.is_private or address.is_multicast or address.is_reserved:
        assert not is_public(address)


@given(st.ip_addresses(v=6))
def test_no_ipv6_address_that_python_calls_private_is_public(address: ipaddress.IPv6Address) -> None:
    if address.ipv4_mapped is not None:
        assert is_public(address) == is_public(address.ipv4_mapped)
    elif address.is_private or address.is_multicast or address.is_reserved:
        assert not is_public(address)


def test_the_operators_own_networks_are_allowed_and_nothing_beside_them() -> None:
    guard = Guard(["10.20.0.0/16", "fd00:1::/64"])
    assert guard.is_allowed("10.20.3.4")
    assert guard.is_allowed("::ffff:10.20.3.4")
    assert guard.is_allowed("fd00:1::5")
    assert not guard.is_allowed("10.21.0.1")
    assert not guard.is_allowed("127.0.0.1")


def test_a_network_that_is_none_is_named() -> None:
    with pytest.raises(ConfigError, match=r"webhook networks: .*10\.20\.0\.0/16"):
        Guard(["10.20.0.0/33"])


@pytest.mark.parametrize(
    ("url", "problem"),
    [
        ("http://hooks.example.com/a", "must start with https"),
        ("ftp://hooks.example.com/a", "must start with https"),
        ("file:///etc/passwd", "must start with https"),
        ("hooks.example.com", "must start with https"),
        ("https://", "needs a host"),
        ("https://user@hooks.example.com/", "must not carry a user name"),
        ("https://user:pw@hooks.example.com/", "must not carry a user name"),
        ("https://hooks.example.com/#x", "fragment"),
        ("https://hooks.example.com:22/", "port 22"),
        ("https://hooks.example.com:0/", "port 0"),
        ("https://hooks.example.com:99999/", "not a URL"),
        ("https://[::1/", "not a URL"),
    ],
)
def test_a_url_that_may_not_be_called_is_refused_with_the_reason(url: str, problem: str) -> None:
    with pytest.raises(DeliveryRejected, match=problem):
        Guard().check_url(url)


@pytest.mark.parametrize("url", ["https://hooks.example.com/a?b=c", "https://hooks.example.com:8443/"])
def test_an_https_url_on_a_usual_port_may_be_called(url: str) -> None:
    assert Guard().check_url(url).hostname == "hooks.example.com"


@pytest.mark.enable_socket
@pytest.mark.parametrize(
    "host",
    [
        "127.0.0.1",
        "localhost",
        "127.1",
        "0",
        "0.0.0.0",
        "2130706433",
        "0x7f000001",
        "0x7f.1",
        "0177.0.0.1",
        "017700000001",
        "１２７.０.０.１",
        "127。0。0。1",
        "[::1]",
        "[::]",
        "[::ffff:127.0.0.1]",
        "[::ffff:7f00:1]",
        "[64:ff9b::7f00:1]",
        "[2002:7f00:1::]",
        "[fe80::1]",
        "169.254.169.254",
        "10.0.0.1",
    ],
)
def test_no_way_of_writing_a_private_address_gets_through(
    host: str, receiver: Callable[..., Receiver]
) -> None:
    server = receiver()
    session = guarded_session(Guard(ports=[server.port], plain_http=True))
    with pytest.raises((DeliveryRejected, requests.RequestException)):
        session.post(f"http://{host}:{server.port}/", data=b"x", timeout=2, allow_redirects=False)
    session.close()
    assert server.requests == []


@pytest.mark.enable_socket
@pytest.mark.parametrize(
    "host", ["localhost", "127.1", "0", "2130706433", "0x7f.1", "0177.1", "１２７.０.０.１"]
)
def test_no_spelling_of_a_private_address_passes_the_resolver(host: str) -> None:
    with pytest.raises(DeliveryRejected, match="not public"):
        Guard().connect(host, 443, 1.0, None)


@pytest.mark.enable_socket
@pytest.mark.parametrize("host", ["localhost", "127.1", "2130706433", "0x7f.1"])
def test_these_spellings_really_reach_the_machine_unless_refused(
    host: str, receiver: Callable[..., Receiver]
) -> None:
    server = receiver()
    session = guarded_session(Guard(["127.0.0.0/8", "::1/128"], ports=[server.port], plain_http=True))
    assert session.post(f"http://{host}:{server.port}/", data=b"x", timeout=2).status_code == 204
    session.close()
    assert len(server.requests) == 1


def changing(*answers: list[str]) -> Callable[[str, int], list[str]]:
    """Return a resolver that gives another answer each time, as a hostile name server does."""
    following = iter(answers)
    return lambda _host, _port: next(following)


@pytest.mark.enable_socket
def test_a_name_that_turns_private_between_two_looks_is_refused(
    receiver: Callable[..., Receiver],
) -> None:
    server = receiver()
    guard = Guard(ports=[server.port], plain_http=True, resolve=changing(["127.0.0.1"]))
    session = guarded_session(guard)
    url = f"http://hooks.example.com:{server.port}/"
    guard.check_url(url)
    with pytest.raises(DeliveryRejected, match="not public"):
        session.post(url, data=b"x", timeout=2)
    session.close()
    assert server.requests == []


@pytest.mark.enable_socket
@pytest.mark.parametrize("addresses", [["8.8.8.8", "127.0.0.1"], ["127.0.0.1", "8.8.8.8"], []])
def test_one_bad_address_among_good_ones_refuses_the_name(addresses: list[str]) -> None:
    guard = Guard(resolve=lambda _host, _port: addresses)
    with pytest.raises(DeliveryRejected, match="not public"):
        guard.connect("hooks.example.com", 443, 1.0, None)


class FakeSocket:
    """Connects anywhere and reports a peer of the test's choice."""

    made: list[tuple[str, int]]
    peer = "127.0.0.1"

    def __init__(self, *_args: object) -> None:
        self.closed = False

    def setsockopt(self, *_args: object) -> None:
        return

    def settimeout(self, _timeout: float) -> None:
        return

    def connect(self, where: tuple[str, int]) -> None:
        FakeSocket.made.append(where)

    def getpeername(self) -> tuple[str, int]:
        return FakeSocket.peer, 443

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def fake_socket(monkeypatch: pytest.MonkeyPatch) -> Iterator[type[FakeSocket]]:
    FakeSocket.made = []
    monkeypatch.setattr("alertd.delivery.guard.socket.socket", FakeSocket)
    return FakeSocket


def test_a_connection_that_ends_at_a_private_peer_is_dropped(fake_socket: type[FakeSocket]) -> None:
    fake_socket.peer = "127.0.0.1"
    with pytest.raises(DeliveryRejected, match="ended at an address"):
        Guard(resolve=lambda _host, _port: ["8.8.8.8"]).connect("hooks.example.com", 443, 1.0, None)
    assert fake_socket.made == [("8.8.8.8", 443)]


def test_the_name_is_resolved_once_and_the_checked_address_is_connected_to(
    fake_socket: type[FakeSocket],
) -> None:
    fake_socket.peer = "8.8.4.4"
    guard = Guard(resolve=changing(["8.8.4.4"], ["127.0.0.1"]))
    guard.connect("hooks.example.com", 443, 1.0, None)
    assert fake_socket.made == [("8.8.4.4", 443)]


@pytest.mark.enable_socket
def test_a_redirect_is_not_followed(receiver: Callable[..., Receiver]) -> None:
    server = receiver(status=302)
    server.headers["Location"] = f"http://127.0.0.1:{server.port}/inside"
    session = guarded_session(Guard(["127.0.0.0/8"], ports=[server.port], plain_http=True))
    answer = session.post(f"http://127.0.0.1:{server.port}/", timeout=2, allow_redirects=True)
    session.close()
    assert answer.status_code == 302
    assert [path for path, _, _ in server.requests] == ["/"]


@pytest.mark.enable_socket
def test_even_a_followed_redirect_meets_the_guard(receiver: Callable[..., Receiver]) -> None:
    inside = receiver()
    server = receiver(status=307)
    server.headers["Location"] = f"http://127.0.0.2:{inside.port}/"
    guard = Guard(["127.0.0.1/32"], ports=[server.port, inside.port], plain_http=True)
    session = requests.Session()
    session.trust_env = False
    session.mount("http://", GuardedAdapter(guard))
    with pytest.raises(DeliveryRejected, match="not public"):
        session.post(f"http://127.0.0.1:{server.port}/", timeout=2, allow_redirects=True)
    session.close()
    assert inside.requests == []


def test_a_proxy_is_refused() -> None:
    session = guarded_session(Guard())
    with pytest.raises(DeliveryRejected, match="not through the proxy"):
        session.post("https://hooks.example.com/", proxies={"https": "http://192.0.2.1:3128"})
    session.close()


def test_the_environment_is_not_read() -> None:
    session = guarded_session(Guard())
    assert session.trust_env is False
    assert isinstance(session.get_adapter("https://hooks.example.com/"), GuardedAdapter)
    assert isinstance(session.get_adapter("http://hooks.example.com/"), GuardedAdapter)
    session.close()


@pytest.mark.enable_socket
def test_an_unknown_name_is_a_passing_fault() -> None:
    def unknown(_host: str, _port: int) -> list[str]:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    session = guarded_session(Guard(resolve=unknown))
    with pytest.raises(requests.ConnectionError):
        session.post("https://hooks.example.com/", timeout=2)
    session.close()
