"""Webhooks are signed as Standard Webhooks 1.0.0 asks and every answer has one meaning."""

from __future__ import annotations

import base64
import datetime as dt
import json
import threading
from collections.abc import Callable

import pytest
from standardwebhooks import Webhook, WebhookVerificationError

from alertd.delivery.guard import Guard
from alertd.delivery.webhook import (
    BODY_BYTES_MAX,
    WebhookSettings,
    WebhookTransport,
    event_type,
    retry_after_s,
    secret_bytes,
    signature,
    webhook_body,
)
from alertd.errors import DeliveryDeferred, DeliveryRejected, InputError
from alertd.records.alert import AlertKind
from tests.delivery.conftest import Authority, Receiver
from tests.delivery.evidence import every_alert, make_alert, make_hot_dry, make_site

OLD = "whsec_" + base64.b64encode(bytes(range(24))).decode()
NEW = "whsec_" + base64.b64encode(bytes(range(100, 164))).decode()
NOW = dt.datetime(2025, 7, 16, 10, 6, 5, tzinfo=dt.UTC)
Start = Callable[..., Receiver]


def transport_to(server: Receiver, **changes: float | str) -> WebhookTransport:
    settings = WebhookSettings(
        networks=("127.0.0.0/8",),
        ports=(server.port,),
        plain_http=True,
        **changes,  # type: ignore[arg-type]
    )
    return WebhookTransport(settings)


def post(server: Receiver, body: bytes = b"{}", **changes: float | str) -> str:
    with transport_to(server, **changes) as transport:
        return transport.send(f"http://127.0.0.1:{server.port}/hook", [OLD], "m-1", body, NOW)


def test_the_specifications_own_example_is_signed_alike() -> None:
    # Standard Webhooks, tests of the reference libraries: secret, id, time, body and signature.
    made = signature(
        ["whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"],
        "msg_p5jXN8AQM9LWM0D4loKWxJek",
        1614265330,
        b'{"test": 2432232314}',
    )
    assert made == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


@pytest.mark.enable_socket
def test_the_reference_library_accepts_what_arrived_with_either_secret(receiver: Start) -> None:
    server = receiver()
    now = dt.datetime.now(dt.UTC)
    site = make_site("Café — Hof ☀")
    body = webhook_body(make_alert(AlertKind.HOT_DRY, make_hot_dry(site)), site)
    with transport_to(server) as transport:
        transport.send(f"http://127.0.0.1:{server.port}/", [NEW, OLD], "ep1-1_sub-1", body, now)
    ((_, headers, arrived),) = server.requests
    assert arrived == body
    assert headers["content-type"] == "application/json"
    small = {name.lower(): value for name, value in headers.items()}
    for secret in (OLD, NEW):
        event = Webhook(secret).verify(arrived, small)
        assert event["data"]["site_name"] == "Café — Hof ☀"
    with pytest.raises(WebhookVerificationError):
        Webhook(OLD).verify(arrived + b" ", small)


@pytest.mark.enable_socket
def test_a_retry_carries_the_same_id_and_body_with_the_time_of_the_try(receiver: Start) -> None:
    server = receiver()
    with transport_to(server) as transport:
        for minutes in (0, 5):
            later = NOW + dt.timedelta(minutes=minutes)
            transport.send(f"http://127.0.0.1:{server.port}/", [OLD], "m-1", b"{}", later)
    first, second = (headers for _, headers, _ in server.requests)
    assert first["webhook-id"] == second["webhook-id"] == "m-1"
    assert int(second["webhook-timestamp"]) - int(first["webhook-timestamp"]) == 300
    assert first["webhook-timestamp"] == str(int(NOW.timestamp()))
    assert first["webhook-signature"] != second["webhook-signature"]


def test_the_body_says_what_the_documentation_says() -> None:
    site = make_site()
    alert = make_alert(AlertKind.HOT_DRY, make_hot_dry(site), expires_at=NOW)
    event = json.loads(webhook_body(alert, site))
    assert event["type"] == "alertd.hot_dry_warning.opened"
    assert event["timestamp"] == "2025-07-16T10:05:00Z"
    assert event["version"] == 1
    assert set(event) == {"type", "timestamp", "version", "data"}
    assert event["data"] == {
        "alert_id": "ep1-1",
        "episode_id": "ep1",
        "sequence": 1,
        "site_id": "site-1",
        "site_name": "Maple Court",
        "kind": "hot-dry-warning",
        "subject": "",
        "change": "opened",
        "level": 3,
        "level_name": "high",
        "expires_at": "2025-07-16T10:06:05Z",
        "handed_over_from": None,
        "left_out": [],
        "evidence": json.loads(json.dumps(alert.evidence)),
    }


def test_the_body_of_every_kind_is_small_and_the_same_each_time() -> None:
    site = make_site()
    for alert in every_alert(site).values():
        body = webhook_body(alert, site)
        assert body == webhook_body(alert, site)
        assert len(body) < 20_000  # the specification's advice
        assert event_type(alert).replace(".", "").replace("_", "").isalnum()


def test_an_evidence_too_large_loses_named_keys_and_not_the_alert() -> None:
    site = make_site()
    evidence = make_hot_dry(site)
    evidence["days"] = evidence["days"] * 100
    evidence["pressures"] = evidence["pressures"] * 500
    body = webhook_body(make_alert(AlertKind.HOT_DRY, evidence), site)
    event = json.loads(body)
    assert len(body) <= BODY_BYTES_MAX
    assert event["data"]["left_out"] == ["days", "pressures"]
    assert event["data"]["evidence"]["spell"]["days"] == 10
    assert "days" in evidence


def test_an_unknown_number_is_null_and_not_broken_json() -> None:
    site = make_site()
    evidence = make_hot_dry(site)
    evidence["spell"]["vapour_pressure_deficit_max_kpa"] = float("nan")
    event = json.loads(webhook_body(make_alert(AlertKind.HOT_DRY, evidence), site))
    assert event["data"]["evidence"]["spell"]["vapour_pressure_deficit_max_kpa"] is None


def test_an_evidence_that_cannot_be_made_small_is_rejected() -> None:
    site = make_site()
    alert = make_alert(AlertKind.HOT_DRY, make_hot_dry(site, changes=["x" * 70_000]))
    with pytest.raises(DeliveryRejected, match="bytes as JSON"):
        webhook_body(alert, site)


@pytest.mark.parametrize("status", [200, 201, 202, 204, 299])
@pytest.mark.enable_socket
def test_only_2xx_is_success(receiver: Start, status: int) -> None:
    assert post(receiver(status=status)) == f"HTTP {status}"


@pytest.mark.parametrize("status", [301, 302, 307, 308, 400, 401, 403, 404, 422, 429, 500, 502, 503, 504])
@pytest.mark.enable_socket
def test_any_other_answer_is_tried_again(receiver: Start, status: int) -> None:
    server = receiver(status=status, headers={"Location": "/elsewhere", "Retry-After": "120"})
    with pytest.raises(DeliveryDeferred, match=f"HTTP {status}") as caught:
        post(server)
    assert caught.value.retry_after_s == 120.0
    assert len(server.requests) == 1


@pytest.mark.enable_socket
def test_gone_is_for_good(receiver: Start) -> None:
    with pytest.raises(DeliveryRejected, match="410"):
        post(receiver(status=410))


@pytest.mark.enable_socket
def test_at_most_the_first_bytes_of_an_answer_are_kept_without_control_characters(receiver: Start) -> None:
    server = receiver(status=500, body=b"no\x1b[31m\r\nroom " + b"x" * 100_000)
    with pytest.raises(DeliveryDeferred) as caught:
        post(server)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 1100


@pytest.mark.enable_socket
def test_an_answer_that_only_drips_is_cut_off(receiver: Start) -> None:
    done = threading.Event()
    server = receiver(drip=done)
    try:
        with pytest.raises(DeliveryDeferred, match=r"hung up|did not answer"):
            post(server, connect_timeout_s=0.1, read_timeout_s=0.3)
    finally:
        done.set()


@pytest.mark.enable_socket
def test_a_receiver_that_is_not_there_is_tried_again(receiver: Start) -> None:
    server = receiver()
    with transport_to(server) as transport:
        server_port = server.port
        settings = WebhookSettings(networks=("127.0.0.0/8",), ports=(1, server_port), plain_http=True)
        with (
            WebhookTransport(settings) as other,
            pytest.raises(DeliveryDeferred, match="could not be reached"),
        ):
            other.send("http://127.0.0.1:1/", [OLD], "m-1", b"{}", NOW)
        assert transport.send(f"http://127.0.0.1:{server_port}/", [OLD], "m-1", b"{}", NOW) == "HTTP 204"


@pytest.mark.enable_socket
def test_tls_is_verified_against_the_name(receiver: Start, authority: Authority) -> None:
    server = receiver(context=authority.server)
    guard = Guard(["127.0.0.0/8"], ports=[server.port], resolve=lambda _host, _port: ["127.0.0.1"])
    trusting = WebhookSettings(ca_file=authority.ca_file)
    with WebhookTransport(trusting, guard) as transport:
        assert transport.send(f"https://localhost:{server.port}/", [OLD], "m-1", b"{}", NOW) == "HTTP 204"
        with pytest.raises(DeliveryDeferred, match="certificate"):
            transport.send(f"https://hooks.example.com:{server.port}/", [OLD], "m-1", b"{}", NOW)
    with (
        WebhookTransport(WebhookSettings(), guard) as transport,
        pytest.raises(DeliveryDeferred, match="certificate"),
    ):
        transport.send(f"https://localhost:{server.port}/", [OLD], "m-1", b"{}", NOW)
    assert server.requests[0][1]["Host"] == f"localhost:{server.port}"
    assert len(server.requests) == 1


@pytest.mark.enable_socket
def test_a_receiver_gets_no_cookie_back(receiver: Start) -> None:
    server = receiver(headers={"Set-Cookie": "track=1"})
    with transport_to(server) as transport:
        for _ in range(2):
            transport.send(f"http://127.0.0.1:{server.port}/", [OLD], "m-1", b"{}", NOW)
    assert not [headers for _, headers, _ in server.requests if "Cookie" in headers]


def test_a_forbidden_address_is_refused_before_anything_is_sent() -> None:
    with WebhookTransport(WebhookSettings()) as transport, pytest.raises(DeliveryRejected, match="https"):
        transport.send("http://hooks.example.com/", [OLD], "m-1", b"{}", NOW)


def test_a_host_that_cannot_be_a_name_is_refused_for_good() -> None:
    with WebhookTransport(WebhookSettings()) as transport, pytest.raises(DeliveryRejected, match="not a URL"):
        transport.send("https://１２７.０.０.１/", [OLD], "m-1", b"{}", NOW)


@pytest.mark.parametrize(
    "secret",
    ["", "whsec_", "whsec_!!", "whsec_" + base64.b64encode(b"short").decode(), OLD[6:], OLD + "!"],
)
def test_a_weak_or_mangled_secret_is_refused_with_the_fix(secret: str) -> None:
    with pytest.raises(InputError, match="whsec_"):
        secret_bytes(secret)
    with pytest.raises(DeliveryRejected, match="secret"):
        signature([secret], "m-1", 1, b"")


def test_without_a_secret_nothing_is_sent() -> None:
    with pytest.raises(DeliveryRejected, match="secret"):
        signature([], "m-1", 1, b"")


@pytest.mark.parametrize("message_id", ["", "a.b", "a b", "a\n", "x" * 129])
def test_an_id_that_would_blur_the_signed_text_is_refused(message_id: str) -> None:
    with pytest.raises(DeliveryRejected, match="webhook-id"):
        signature([OLD], message_id, 1, b"")


@pytest.mark.parametrize(
    ("text", "pause"),
    [
        (None, None),
        ("0", 0.0),
        (" 30 ", 30.0),
        ("-5", None),
        ("soon", None),
        ("٣", None),
        ("Wed, 16 Jul 2025 10:07:05 GMT", 60.0),  # RFC 9110, 10.2.3: a date is allowed too
        ("Wed, 16 Jul 2025 09:00:00 GMT", 0.0),
    ],
)
def test_retry_after_is_read_as_seconds_or_date(text: str | None, pause: float | None) -> None:
    assert retry_after_s(text, NOW) == pause
