"""Whether messages get through can be tried at once, and a secret can be changed without losing one."""

from __future__ import annotations

import datetime as dt
import email
import email.policy
import json
from collections.abc import Callable
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from standardwebhooks import Webhook, WebhookVerificationError

from alertd.delivery.body_schema import newest
from alertd.delivery.email import SmtpSettings
from tests.cli.conftest import Clock, Program
from tests.delivery.conftest import Mailbox, Receiver, mail_server, receiver

__all__ = ["mail_server", "receiver"]
StartMail = Callable[..., tuple[Mailbox, SmtpSettings]]
StartHook = Callable[..., Receiver]
HOUR = dt.timedelta(hours=1)


@pytest.fixture
def present(clock: Clock) -> Clock:
    """The clock set to the real present, which the reference library compares signatures with."""
    clock.now = dt.datetime.now(dt.UTC)
    return clock


def open_to(program: Program, server: Receiver) -> None:
    program.env["ALERTD_WEBHOOK__ALLOW_PRIVATE_CIDRS"] = "127.0.0.0/8"
    program.env["ALERTD_WEBHOOK__PORTS"] = str(server.port)


def board(program: Program, server: Receiver, path: str = "/hook") -> str:
    """Add a webhook and return its secret."""
    open_to(program, server)
    url = f"http://127.0.0.1:{server.port}{path}"
    told = program.done("subscriber", "add", "Board", "--webhook", url, "--all-sites", "--json")
    return str(json.loads(told)["secret"])


def mail_to(program: Program, settings: SmtpSettings) -> None:
    program.env |= {
        "ALERTD_SMTP__HOST": settings.host,
        "ALERTD_SMTP__PORT": str(settings.port),
        "ALERTD_SMTP__TLS": "none",
        "ALERTD_SMTP__FROM_ADDRESS": "alerts@example.com",
    }


def arrived(server: Receiver) -> tuple[dict[str, str], bytes]:
    _, headers, body = server.requests[-1]
    return {name.lower(): value for name, value in headers.items()}, body


def signed_by(secret: str, server: Receiver) -> bool:
    headers, body = arrived(server)
    try:
        Webhook(secret).verify(body, headers)
    except WebhookVerificationError:
        return False
    return True


@pytest.mark.enable_socket
def test_a_webhook_is_tried_with_a_signed_message_that_says_it_is_a_test(
    watching: Program, receiver: StartHook, present: Clock
) -> None:
    server = receiver()
    secret = board(watching, server)
    told = watching.done("subscriber", "test", "Board")
    assert "The receiver answered: HTTP 204" in told
    headers, body = arrived(server)
    assert signed_by(secret, server)
    assert headers["webhook-id"].startswith("test-")
    event: dict[str, Any] = json.loads(body)
    assert event["type"] == "alertd.test"
    assert "nothing needs to be done" in event["data"]["text"]
    assert list(Draft202012Validator(newest("test").schema).iter_errors(event)) == []
    assert secret not in told
    assert "/hook" not in told


@pytest.mark.enable_socket
@pytest.mark.parametrize(
    ("status", "fix"),
    [
        (401, "rotate-secret"),
        (404, "check the path"),
        (410, "remove the subscriber"),
        (500, "log of the receiver"),
    ],
)
def test_a_webhook_that_refuses_is_told_with_the_thing_to_do(
    watching: Program, receiver: StartHook, status: int, fix: str
) -> None:
    server = receiver(status=status, body=b"no")
    board(watching, server)
    complaint = watching.refused(75, "subscriber", "test", "Board")
    assert f"HTTP {status}" in complaint
    assert fix in complaint


@pytest.mark.enable_socket
def test_a_webhook_whose_network_is_no_longer_allowed_is_not_called(
    watching: Program, receiver: StartHook
) -> None:
    server = receiver()
    board(watching, server)
    watching.env["ALERTD_WEBHOOK__ALLOW_PRIVATE_CIDRS"] = "10.99.0.0/16"
    assert "allow_private_cidrs" in watching.refused(75, "subscriber", "test", "Board")
    assert server.requests == []


@pytest.mark.enable_socket
def test_a_webhook_that_is_not_there_is_told_so(watching: Program, receiver: StartHook) -> None:
    server = receiver()
    board(watching, server)
    watching.env["ALERTD_WEBHOOK__PORTS"] = "9"
    assert "port" in watching.refused(75, "subscriber", "test", "Board")


@pytest.mark.enable_socket
def test_a_mail_reader_is_sent_a_plain_test_mail_even_at_night(
    watching: Program, mail_server: StartMail, clock: Clock
) -> None:
    mailbox, settings = mail_server()
    mail_to(watching, settings)
    watching.done("subscriber", "add", "Crew lead", "--email", "crew@example.com", "--all-sites")
    clock.now = clock.now.replace(hour=6)  # 02:00 at the site
    told = watching.done("subscriber", "test", "Crew lead")
    assert "The mail server answered: 250 taken" in told
    (raw,) = mailbox.mails
    mail = email.message_from_bytes(raw, policy=email.policy.default)
    assert mail["Subject"].startswith("Test: ")
    assert mail["To"] == "Crew lead <crew@example.com>"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["List-Unsubscribe"]
    for part in (mail.get_body(("plain",)), mail.get_body(("html",))):
        assert part is not None
        assert "nothing needs to be done" in " ".join(part.get_content().split())


@pytest.mark.enable_socket
def test_a_mailbox_that_is_not_there_is_told_with_the_servers_word(
    watching: Program, mail_server: StartMail
) -> None:
    mailbox, settings = mail_server()
    mailbox.answers["RCPT"] = "550 5.1.1 no such person here"
    mail_to(watching, settings)
    watching.done("subscriber", "add", "Crew lead", "--email", "crew@example.com", "--all-sites")
    complaint = watching.refused(75, "subscriber", "test", "Crew lead")
    assert "550 5.1.1 no such person here" in complaint
    assert "check the address" in complaint


def test_without_a_mail_server_the_setting_is_named(watching: Program) -> None:
    watching("subscriber", "add", "Crew lead", "--email", "crew@example.com", "--all-sites")
    assert "set smtp.host" in watching.refused(78, "subscriber", "test", "Crew lead")


@pytest.mark.enable_socket
def test_nothing_is_sent_to_whoever_has_not_confirmed(watching: Program, mail_server: StartMail) -> None:
    """Else anybody's address could be sent as many tests as an operator types commands."""
    mailbox, settings = mail_server()
    mail_to(watching, settings)
    watching.env["ALERTD_WEB__BASE_URL"] = "https://alerts.example.com"
    watching.done("subscriber", "add", "Crew lead", "--email", "crew@example.com", "--all-sites")
    assert "has not confirmed" in watching.refused(2, "subscriber", "test", "Crew lead")
    assert mailbox.mails == []


@pytest.mark.enable_socket
def test_while_a_secret_is_changed_either_one_checks_every_message(
    watching: Program, receiver: StartHook, present: Clock
) -> None:
    server = receiver()
    old = board(watching, server)
    told = watching.done("subscriber", "rotate-secret", "Board")
    (new,) = [line for line in told.splitlines() if line.startswith("whsec_")]
    assert new != old
    watching.done("subscriber", "test", "Board")
    assert len(arrived(server)[0]["webhook-signature"].split(" ")) == 2
    assert signed_by(old, server)
    assert signed_by(new, server)
    present.now += 25 * HOUR
    watching.done("subscriber", "test", "Board")
    assert len(arrived(server)[0]["webhook-signature"].split(" ")) == 1


@pytest.mark.enable_socket
def test_the_change_ends_at_once_when_asked_to(
    watching: Program, receiver: StartHook, present: Clock
) -> None:
    server = receiver()
    old = board(watching, server)
    new = json.loads(watching.done("subscriber", "rotate-secret", "Board", "--json"))["secret"]
    assert "no longer used" in watching.done("subscriber", "rotate-secret", "Board", "--finish")
    watching.done("subscriber", "test", "Board")
    assert signed_by(new, server)
    assert not signed_by(old, server)
    assert "nothing was changed" in watching.done("subscriber", "rotate-secret", "Board", "--finish")


@pytest.mark.enable_socket
def test_a_second_change_waits_for_the_end_of_the_first(
    watching: Program, receiver: StartHook, clock: Clock
) -> None:
    """A third secret would leave a receiver out that still checks with the first."""
    board(watching, receiver())
    watching.done("subscriber", "rotate-secret", "Board", "--old-for", "72")
    clock.now += 71 * HOUR
    assert "--finish" in watching.refused(2, "subscriber", "rotate-secret", "Board")
    clock.now += 2 * HOUR
    watching.done("subscriber", "rotate-secret", "Board")


@pytest.mark.enable_socket
def test_no_secret_is_ever_shown_again(watching: Program, receiver: StartHook) -> None:
    old = board(watching, receiver())
    new = json.loads(watching.done("subscriber", "rotate-secret", "Board", "--json"))["secret"]
    commands = [("list",), ("list", "--json"), ("show", "Board"), ("show", "Board", "--json")]
    for words in commands:
        shown = watching("--debug", "subscriber", *words)
        for secret in (old, new):
            assert secret.removeprefix("whsec_") not in shown.output


def test_mail_readers_have_no_secret(watching: Program) -> None:
    watching("subscriber", "add", "Crew lead", "--email", "crew@example.com", "--all-sites")
    assert "only webhooks have a secret" in watching.refused(2, "subscriber", "rotate-secret", "Crew lead")
    words = ("subscriber", "rotate-secret", "Crew lead", "--finish", "--old-for", "3")
    assert "one of both" in watching.refused(2, *words)
