"""Emails carry the headers mailing practice asks for; every answer of a mail server has one meaning."""

from __future__ import annotations

import datetime as dt
import email
import email.policy
from collections.abc import Callable
from email.message import EmailMessage
from typing import Any

import pytest

from alertd.delivery.email import (
    EmailTransport,
    Envelope,
    Mail,
    SmtpSettings,
    Tls,
    mailbox,
    message_id,
    write_email,
)
from alertd.delivery.message import Message, StopNotice
from alertd.errors import ConfigError, DeliveryDeferred, DeliveryRejected
from tests.delivery.conftest import Authority, Mailbox, free_port, sign_in

NOW = dt.datetime(2025, 7, 16, 10, 6, 5, tzinfo=dt.UTC)
STOP = StopNotice("alerts@example.com")
MESSAGE = Message(
    subject="Maple Court: hot, dry to Sun Jul 20 (high)",
    preview="Tap branches first.",
    text="Höchstens 37°C.\n.\nA line that is a dot stands above.\n",
    html='<html lang="en"><body><p>Höchstens 37°C.</p><img src="cid:chart" alt="x"></body></html>\n',
    chart_png=b"\x89PNG\r\n\x1a\nnot really",
    chart_alt="x",
)
SETTINGS = SmtpSettings("mail.example.com", 587, "alerts@example.com", from_name="Site alerts")
Start = Callable[..., tuple[Mailbox, SmtpSettings]]


def envelope(**changes: str) -> Envelope:
    values = {
        "outbox_id": "ep1-1_sub-1",
        "to_address": "sam@example.org",
        "to_name": "Sam Example",
        "episode_id": "ep1",
        "site_id": "site-1",
    }
    return Envelope(**(values | changes))


def built(message: Message = MESSAGE, stop: StopNotice = STOP, **changes: str) -> Mail:
    return write_email(message, envelope(**changes), SETTINGS, stop, NOW)


def read_back(raw: bytes) -> EmailMessage:
    return email.message_from_bytes(raw, policy=email.policy.default)


def parsed(message: Message = MESSAGE, stop: StopNotice = STOP, **changes: str) -> EmailMessage:
    return read_back(built(message, stop, **changes).content)


def test_the_headers_are_those_of_an_automatic_list_message() -> None:
    mail = read_back(built().content)
    assert mail["From"] == "Site alerts <alerts@example.com>"
    assert mail["To"] == "Sam Example <sam@example.org>"
    assert mail["Subject"] == MESSAGE.subject
    assert mail["Date"] == "Wed, 16 Jul 2025 10:06:05 +0000"
    assert mail["Message-ID"] == "<ep1-1_sub-1@example.com>"
    assert mail["Auto-Submitted"] == "auto-generated"  # RFC 3834, 5
    assert mail["List-Id"] == "<site-1.alerts.example.com>"  # RFC 2919
    assert mail["List-Unsubscribe"] == "<mailto:alerts@example.com?subject=stop%20site-1>"  # RFC 2369
    assert mail["List-Unsubscribe-Post"] is None
    assert mail["MIME-Version"] == "1.0"


def test_an_https_stop_link_allows_one_click_and_keeps_the_address() -> None:
    # RFC 8058, 3: an https address in List-Unsubscribe and this very List-Unsubscribe-Post.
    mail = parsed(stop=StopNotice("alerts@example.com", "https://alerts.example.com/stop/abc"))
    assert mail["List-Unsubscribe"].startswith("<https://alerts.example.com/stop/abc>, <mailto:")
    assert mail["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"


def test_a_long_stop_link_stands_whole_in_its_header() -> None:
    # RFC 2369, 2: angle brackets enclose the address, and RFC 2047, 5 allows no encoded word in there.
    link = "https://alerts.example.com/stop/" + "aB3_-" * 60 + ".sign"
    raw = built(stop=StopNotice("alerts@example.com", link)).content
    assert f"\r\nList-Unsubscribe: <{link}>,\r\n <mailto:alerts@".encode() in raw


def test_a_plain_http_stop_link_does_not_promise_one_click() -> None:
    mail = parsed(stop=StopNotice("alerts@example.com", "http://alerts.example.com/stop/abc"))
    assert mail["List-Unsubscribe-Post"] is None


@pytest.mark.parametrize(
    "url", ["https://a.example.com/\r\nBcc: x@example.org", "https://a.example.com/>, <b"]
)
def test_a_stop_link_that_would_break_the_header_is_refused(url: str) -> None:
    with pytest.raises(DeliveryRejected, match="unsubscribe link"):
        built(stop=StopNotice("alerts@example.com", url))


def test_every_email_of_an_episode_refers_to_one_root_and_keeps_its_own_id() -> None:
    first, second = parsed(), parsed(outbox_id="ep1-2_sub-1")
    other = parsed(outbox_id="ep2-1_sub-1", episode_id="ep2")
    assert first["References"] == second["References"] == first["In-Reply-To"] == "<episode-ep1@example.com>"
    assert first["Message-ID"] != second["Message-ID"]
    assert other["References"] != first["References"]


def test_a_retry_is_the_same_email_but_for_its_date() -> None:
    again = write_email(MESSAGE, envelope(), SETTINGS, STOP, NOW + dt.timedelta(hours=2))
    later = read_back(again.content)
    assert later["Message-ID"] == parsed()["Message-ID"]
    assert later["Date"] != parsed()["Date"]
    changed = set(again.content.split(b"\r\n")) ^ set(built().content.split(b"\r\n"))
    assert changed == {b"Date: Wed, 16 Jul 2025 10:06:05 +0000", b"Date: Wed, 16 Jul 2025 12:06:05 +0000"}


def test_text_comes_first_then_html_with_its_picture() -> None:
    mail = read_back(built().content)
    assert mail.get_content_type() == "multipart/alternative"
    text, related = mail.iter_parts()
    html, chart = related.iter_parts()
    kinds = [part.get_content_type() for part in (text, related, html, chart)]
    assert kinds == ["text/plain", "multipart/related", "text/html", "image/png"]
    assert text.get_content().replace("\r\n", "\n") == MESSAGE.text
    assert html.get_content().replace("\r\n", "\n") == MESSAGE.html
    assert chart.get_content() == MESSAGE.chart_png
    assert chart["Content-ID"] == "<chart>"
    assert chart.get_content_disposition() == "inline"


def test_without_a_chart_there_is_no_related_part() -> None:
    mail = read_back(built(Message("s", "p", "text\n", "<p>html</p>\n")).content)
    assert [part.get_content_type() for part in mail.iter_parts()] == ["text/plain", "text/html"]


def test_no_line_is_longer_than_the_standard_allows() -> None:
    raw = built(Message("é" * 300, "p", "x" * 5000 + "\n", "<p>" + "ü" * 5000 + "</p>\n")).content
    assert max(len(line) for line in raw.split(b"\r\n")) <= 998  # RFC 5322, 2.1.1
    assert b"\n" not in raw.replace(b"\r\n", b"")


@pytest.mark.parametrize(
    "nasty",
    [
        "a\r\nBcc: thief@example.org",
        "a\nBcc: thief@example.org",
        "a\rBcc: x",
        "a\x00b",
        "a\u2028Bcc: x",
        "\x85x",
    ],
)
def test_no_name_can_add_a_header(nasty: str) -> None:
    message = Message(nasty, "p", "t\n", "<p>h</p>\n")
    mail = built(message, to_name=nasty, site_id=nasty, episode_id=nasty, outbox_id=nasty)
    back = read_back(mail.content)
    assert back["Bcc"] is None
    assert sorted(back.keys()) == sorted(parsed(message).keys())
    assert back["To"].addresses[0].addr_spec == "sam@example.org"


@pytest.mark.parametrize(
    "address",
    [
        "",
        "sam",
        "a@b@c",
        "sam@example.org, eve@example.org",
        "sam@example.org\r\nBcc: x@example.org",
        "Sam <s@e.org>",
    ],
)
def test_an_address_that_is_not_one_address_is_refused(address: str) -> None:
    with pytest.raises(DeliveryRejected, match="address"):
        built(to_address=address)
    with pytest.raises(ConfigError, match=r"smtp\.from_address"):
        mailbox(address, "smtp.from_address")


def test_an_odd_id_still_gives_one_valid_message_id() -> None:
    made = message_id("a b<c>@d", "example.com")
    assert made == message_id("a b<c>@d", "example.com")
    assert made.endswith("@example.com>")
    assert not set(made[1:-1]) & set(" <>")


def test_answers_go_where_the_operator_wants_them() -> None:
    settings = SmtpSettings("mail.example.com", 587, "alerts@example.com", reply_to="office@example.com")
    mail = read_back(
        write_email(MESSAGE, envelope(), settings, StopNotice(settings.reply_address), NOW).content
    )
    assert mail["Reply-To"] == "office@example.com"
    assert "mailto:office@example.com" in mail["List-Unsubscribe"]


@pytest.mark.parametrize(
    ("changes", "setting"),
    [
        ({"from_address": "nobody"}, "smtp.from_address"),
        ({"reply_to": "nobody"}, "smtp.reply_to"),
        ({"domain": "no good"}, "smtp.domain"),
        ({"tls": Tls.NONE, "username": "u", "password": "p"}, "smtp.tls"),
    ],
)
def test_impossible_settings_are_refused_by_name(changes: dict[str, Any], setting: str) -> None:
    values: dict[str, Any] = {"host": "mail.example.com", "port": 25, "from_address": "alerts@example.com"}
    with pytest.raises(ConfigError, match=setting):
        SmtpSettings(**(values | changes))


def test_the_password_is_never_shown() -> None:
    assert "hunter" not in repr(SmtpSettings("h", 587, "a@example.com", username="u", password="hunter"))


# From here on with a real mail server on loopback.


def send(settings: SmtpSettings, mail: Mail | None = None) -> str:
    transport = EmailTransport(settings)
    with transport.session():
        return transport.send(mail if mail is not None else built())


@pytest.mark.enable_socket
def test_an_email_arrives_as_it_was_built(mail_server: Start) -> None:
    mailbox_, settings = mail_server()
    assert send(settings) == "250 taken"
    (raw,) = mailbox_.mails
    arrived = read_back(raw)
    assert mailbox_.recipients == [["sam@example.org"]]
    assert arrived["Subject"] == MESSAGE.subject
    text = arrived.get_body(("plain",))
    assert text is not None
    assert text.get_content().replace("\r\n", "\n") == MESSAGE.text


@pytest.mark.enable_socket
def test_many_emails_share_one_connection_up_to_a_limit(
    mail_server: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    mailbox_, settings = mail_server()
    monkeypatch.setattr("alertd.delivery.email.MESSAGES_PER_CONNECTION", 4)
    transport = EmailTransport(settings)
    with transport.session():
        for number in range(10):
            transport.send(built(outbox_id=f"m{number}"))
    assert len(mailbox_.mails) == 10
    assert mailbox_.sessions == 3


@pytest.mark.enable_socket
@pytest.mark.parametrize("step", ["MAIL", "RCPT", "DATA"])
@pytest.mark.parametrize("code", [421, 450, 451, 452, 471])
def test_a_4yz_answer_is_tried_again(mail_server: Start, step: str, code: int) -> None:
    # RFC 5321, 4.2.1: 4yz is a transient negative completion reply.
    mailbox_, settings = mail_server()
    mailbox_.answers[step] = f"{code} 4.2.0 not now"
    with pytest.raises(DeliveryDeferred, match=f"{code} 4.2.0 not now"):
        send(settings)
    assert mailbox_.mails == []


@pytest.mark.enable_socket
@pytest.mark.parametrize("step", ["MAIL", "RCPT", "DATA"])
@pytest.mark.parametrize("code", [550, 552, 553, 554])
def test_a_5yz_answer_is_for_good(mail_server: Start, step: str, code: int) -> None:
    # RFC 5321, 4.2.1: 5yz is a permanent negative completion reply.
    mailbox_, settings = mail_server()
    mailbox_.answers[step] = f"{code} 5.1.1 never"
    with pytest.raises(DeliveryRejected, match=f"{code} 5.1.1 never"):
        send(settings)


@pytest.mark.enable_socket
def test_a_refused_email_does_not_spoil_the_next_one(mail_server: Start) -> None:
    mailbox_, settings = mail_server()
    transport = EmailTransport(settings)
    with transport.session():
        mailbox_.answers["RCPT"] = "550 5.1.1 unknown"
        with pytest.raises(DeliveryRejected):
            transport.send(built())
        mailbox_.answers.clear()
        assert transport.send(built(outbox_id="next")) == "250 taken"
    assert mailbox_.sessions == 1


@pytest.mark.enable_socket
def test_a_server_that_says_goodbye_is_dialled_anew(mail_server: Start) -> None:
    mailbox_, settings = mail_server()
    transport = EmailTransport(settings)
    with transport.session():
        mailbox_.hang_up_at = "DATA"
        with pytest.raises(DeliveryDeferred):
            transport.send(built())
        mailbox_.hang_up_at = ""
        assert transport.send(built(outbox_id="next")) == "250 taken"
    assert mailbox_.sessions == 2


@pytest.mark.enable_socket
def test_a_kept_connection_that_went_stale_is_replaced_without_losing_a_try(mail_server: Start) -> None:
    mailbox_, settings = mail_server()
    transport = EmailTransport(settings)
    with transport.session():
        transport.send(built())
        mailbox_.hang_up_at = "MAIL"
        transport.send(built(outbox_id="next"))
    assert len(mailbox_.mails) == 2
    assert mailbox_.sessions == 2


@pytest.mark.enable_socket
def test_a_server_that_hangs_up_after_the_text_is_tried_again_with_the_same_id(mail_server: Start) -> None:
    mailbox_, settings = mail_server()
    mailbox_.hang_up_at = "DATA"
    with pytest.raises(DeliveryDeferred, match="hung up"):
        send(settings)
    mailbox_.hang_up_at = ""
    send(settings)
    assert read_back(mailbox_.mails[0])["Message-ID"] == "<ep1-1_sub-1@example.com>"


@pytest.mark.enable_socket
def test_a_server_that_is_not_there_is_named_with_its_settings() -> None:
    port = free_port()
    settings = SmtpSettings("127.0.0.1", port, "alerts@example.com", tls=Tls.NONE, timeout_s=2.0)
    with pytest.raises(DeliveryDeferred, match=rf"127\.0\.0\.1:{port}.*smtp\.host and smtp\.port"):
        send(settings)


@pytest.mark.enable_socket
@pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")
def test_a_good_login_is_let_in(mail_server: Start) -> None:
    _, settings = mail_server(
        {"username": "alertd", "password": "right"}, authenticator=sign_in, auth_require_tls=False,
        auth_required=True,
    )  # fmt: skip
    assert send(settings) == "250 taken"
    EmailTransport(settings).check()


@pytest.mark.enable_socket
def test_a_bad_login_names_the_settings_and_loses_nothing(mail_server: Start) -> None:
    _, settings = mail_server(
        {"username": "alertd", "password": "wrong"}, authenticator=sign_in, auth_require_tls=False
    )
    with pytest.raises(DeliveryDeferred, match=r"535.*smtp\.username and smtp\.password") as caught:
        send(settings)
    assert "wrong" not in str(caught.value)


@pytest.mark.enable_socket
def test_a_server_without_login_names_the_settings(mail_server: Start) -> None:
    _, settings = mail_server({"username": "alertd", "password": "right"})
    with pytest.raises(DeliveryDeferred, match=r"offers no login.*smtp\.username"):
        EmailTransport(settings).check()


@pytest.mark.enable_socket
@pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")
def test_a_server_that_wants_a_login_is_a_matter_of_settings_not_of_the_message(mail_server: Start) -> None:
    _, settings = mail_server(authenticator=sign_in, auth_require_tls=False, auth_required=True)
    with pytest.raises(DeliveryDeferred, match=r"530.*smtp\.username"):
        send(settings)


@pytest.mark.enable_socket
def test_starttls_with_a_trusted_certificate_protects_the_mail(
    mail_server: Start, authority: Authority
) -> None:
    mailbox_, settings = mail_server(
        {"host": "localhost", "tls": Tls.STARTTLS, "ca_file": authority.ca_file},
        tls_context=authority.server,
        require_starttls=True,
    )
    assert send(settings) == "250 taken"
    assert len(mailbox_.mails) == 1


@pytest.mark.enable_socket
def test_starttls_with_an_unknown_certificate_is_refused(mail_server: Start, authority: Authority) -> None:
    mailbox_, settings = mail_server(
        {"host": "localhost", "tls": Tls.STARTTLS}, tls_context=authority.server, require_starttls=True
    )
    with pytest.raises(DeliveryDeferred, match=r"not trusted.*smtp\.ca_file"):
        send(settings)
    assert mailbox_.mails == []


@pytest.mark.enable_socket
def test_a_server_without_starttls_gets_nothing(mail_server: Start) -> None:
    mailbox_, settings = mail_server({"tls": Tls.STARTTLS})
    with pytest.raises(DeliveryDeferred, match=r"no STARTTLS.*smtp\.tls"):
        send(settings)
    assert mailbox_.mails == []


@pytest.mark.enable_socket
def test_implicit_tls_against_a_plain_server_names_the_setting(mail_server: Start) -> None:
    _, settings = mail_server({"tls": Tls.IMPLICIT})
    with pytest.raises(DeliveryDeferred, match=r"smtp\.tls and smtp\.port"):
        send(settings)


@pytest.mark.enable_socket
def test_implicit_tls_with_a_trusted_certificate_works(mail_server: Start, authority: Authority) -> None:
    _, settings = mail_server(
        {"host": "localhost", "tls": Tls.IMPLICIT, "ca_file": authority.ca_file},
        ssl_context=authority.server,
    )
    assert send(settings) == "250 taken"


@pytest.mark.enable_socket
def test_a_missing_authority_file_names_the_setting(mail_server: Start) -> None:
    _, settings = mail_server({"tls": Tls.IMPLICIT, "ca_file": "missing.pem"})
    with pytest.raises(DeliveryDeferred, match=r"smtp\.ca_file"):
        send(settings)


@pytest.mark.enable_socket
def test_an_address_with_letters_beyond_ascii_travels_as_such(mail_server: Start) -> None:
    mailbox_, settings = mail_server(enable_SMTPUTF8=True)
    send(settings, built(to_address="günter@example.org"))
    assert mailbox_.recipients == [["günter@example.org"]]


@pytest.mark.enable_socket
def test_a_server_that_cannot_take_such_an_address_refuses_for_good(mail_server: Start) -> None:
    _, settings = mail_server(enable_SMTPUTF8=False)
    with pytest.raises(DeliveryRejected, match="letters beyond"):
        send(settings, built(to_address="günter@example.org"))
