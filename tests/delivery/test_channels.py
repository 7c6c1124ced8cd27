"""A parcel goes in, a real email or webhook comes out."""

from __future__ import annotations

import base64
import datetime as dt
import email
import email.policy
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from unittest import mock

import pytest
from standardwebhooks import Webhook

import alertd
from alertd.delivery import channels
from alertd.delivery.channels import EmailChannel, WebhookChannel
from alertd.delivery.email import SmtpSettings
from alertd.delivery.render import templates_folder
from alertd.delivery.webhook import WebhookSettings, webhook_body
from alertd.records.alert import Alert, OutboxMessage
from alertd.records.site import Channel, Site, Subscriber
from tests.delivery.conftest import Mailbox, Receiver
from tests.delivery.evidence import every_alert, make_site, make_subscriber

NOW = dt.datetime(2025, 7, 16, 10, 6, tzinfo=dt.UTC)
SECRETS = ["whsec_" + base64.b64encode(bytes([n] * 32)).decode() for n in (1, 2)]


@dataclass(frozen=True)
class Posted:
    """What the service hands over."""

    message: OutboxMessage
    alert: Alert
    site: Site
    subscriber: Subscriber


def posted(alert: Alert, subscriber: Subscriber, number: int = 1) -> Posted:
    message = OutboxMessage(f"{alert.id}_s{number}", alert.id, subscriber.id, subscriber.channel, NOW)
    return Posted(message, alert, make_site(), subscriber)


@pytest.mark.enable_socket
def test_every_kind_of_alert_arrives_as_an_email_with_both_parts(
    mail_server: Callable[..., tuple[Mailbox, SmtpSettings]],
) -> None:
    mailbox, settings = mail_server()
    alerts = every_alert(make_site())
    with EmailChannel(settings) as channel:
        for number, alert in enumerate(alerts.values()):
            assert channel.send(posted(alert, make_subscriber(), number), NOW) == "250 taken"
    assert mailbox.sessions == 1
    assert len(mailbox.mails) == len(alerts)
    for raw in mailbox.mails:
        mail = email.message_from_bytes(raw, policy=email.policy.default)
        assert mail["Subject"].startswith("Maple Court: ")
        text, html = mail.get_body(("plain",)), mail.get_body(("html",))  # type: ignore[attr-defined]  # stubs
        assert "What to do" in text.get_content()
        assert "<h1" in html.get_content()
        assert len(raw) < 100_000


@pytest.mark.enable_socket
def test_a_stop_link_of_the_web_app_goes_into_header_and_text(
    mail_server: Callable[..., tuple[Mailbox, SmtpSettings]],
) -> None:
    mailbox, settings = mail_server({"reply_to": "office@example.com"})
    alert = every_alert(make_site())["missing"]
    with EmailChannel(
        settings, lambda parcel: f"https://alerts.example.com/stop/{parcel.message.id}"
    ) as channel:
        channel.send(posted(alert, make_subscriber()), NOW)
    mail = email.message_from_bytes(mailbox.mails[0], policy=email.policy.default)
    assert mail["List-Unsubscribe"].startswith("<https://alerts.example.com/stop/ep1-1_s1>, <mailto:office@")
    assert mail["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    text = mail.get_body(("plain",)).get_content()  # type: ignore[attr-defined]  # stubs
    assert "https://alerts.example.com/stop/ep1-1_s1" in text
    assert "office@example.com" in text


@pytest.mark.enable_socket
def test_an_alert_arrives_as_a_webhook_signed_with_both_secrets(receiver: Callable[..., Receiver]) -> None:
    server = receiver()
    settings = WebhookSettings(networks=("127.0.0.0/8",), ports=(server.port,), plain_http=True)
    machine = replace(
        make_subscriber(),
        channel=Channel.WEBHOOK,
        address=f"http://127.0.0.1:{server.port}/hook",
        secret=SECRETS[0],
        old_secret=SECRETS[1],
        old_secret_until=dt.datetime.now(dt.UTC) + dt.timedelta(hours=1),
    )
    alert = every_alert(make_site())["hot-dry"]
    with WebhookChannel(settings) as channel:
        assert channel.send(posted(alert, machine), dt.datetime.now(dt.UTC)) == "HTTP 204"
    ((path, headers, body),) = server.requests
    assert path == "/hook"
    small = {name.lower(): value for name, value in headers.items()}
    for secret in SECRETS:
        assert Webhook(secret).verify(body, small) == json.loads(body)
    assert small["webhook-id"] == "ep1-1_s1"


@pytest.mark.enable_socket
def test_an_old_secret_signs_nothing_once_its_time_is_over(receiver: Callable[..., Receiver]) -> None:
    server = receiver()
    settings = WebhookSettings(networks=("127.0.0.0/8",), ports=(server.port,), plain_http=True)
    machine = replace(
        make_subscriber(),
        channel=Channel.WEBHOOK,
        address=f"http://127.0.0.1:{server.port}/hook",
        secret=SECRETS[0],
        old_secret=SECRETS[1],
        old_secret_until=NOW,
    )
    alert = every_alert(make_site())["hot-dry"]
    with WebhookChannel(settings) as channel:
        channel.send(posted(alert, machine), NOW - dt.timedelta(seconds=1))
        channel.send(posted(alert, machine), NOW)
    counts = [len(headers["webhook-signature"].split()) for _, headers, _ in server.requests]
    assert counts == [2, 1]


@pytest.mark.enable_socket
def test_a_webhook_is_told_who_stayed_silent_before(receiver: Callable[..., Receiver]) -> None:
    server = receiver()
    settings = WebhookSettings(networks=("127.0.0.0/8",), ports=(server.port,), plain_http=True)
    machine = replace(
        make_subscriber(),
        channel=Channel.WEBHOOK,
        address=f"http://127.0.0.1:{server.port}/hook",
        secret=SECRETS[0],
    )
    first = posted(every_alert(make_site())["hot-dry"], machine)
    late = replace(first, message=replace(first.message, handed_over_from="Crew lead"))
    with WebhookChannel(settings) as channel:
        channel.send(first, NOW)
        channel.send(late, NOW)
    told = [json.loads(body)["data"]["handed_over_from"] for _, _, body in server.requests]
    assert told == [None, "Crew lead"]


@pytest.mark.enable_socket
def test_the_readers_of_an_alert_share_one_body(
    receiver: Callable[..., Receiver], monkeypatch: pytest.MonkeyPatch
) -> None:
    server = receiver()
    made = mock.Mock(wraps=webhook_body)
    monkeypatch.setattr(channels, "webhook_body", made)
    monkeypatch.setattr(channels, "BODIES_KEPT", 2)
    settings = WebhookSettings(networks=("127.0.0.0/8",), ports=(server.port,), plain_http=True)
    url = f"http://127.0.0.1:{server.port}/hook"
    machine = replace(make_subscriber(), channel=Channel.WEBHOOK, address=url, secret=SECRETS[0])
    alert = every_alert(make_site())["hot-dry"]
    with WebhookChannel(settings) as channel:
        for number in range(3):
            channel.send(posted(alert, machine, number), NOW)
        assert made.call_count == 1
        for number in range(4):
            channel.send(posted(replace(alert, id=f"other{number}"), machine), NOW)
        assert len(channel._bodies) == 2
    bodies = [body for _, _, body in server.requests]
    assert bodies[0] == bodies[1] == bodies[2]
    assert [json.loads(body)["data"]["alert_id"] for body in bodies[3:]] == [f"other{n}" for n in range(4)]


def test_templates_inside_an_installed_package_come_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    package = tmp_path / "alertd"
    (package / "templates").mkdir(parents=True)
    monkeypatch.setattr(alertd, "__file__", str(package / "__init__.py"))
    assert templates_folder() == package / "templates"
    (package / "templates").rmdir()
    assert templates_folder() == tmp_path / "templates"
