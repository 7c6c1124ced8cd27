from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import pytest

from alertd.delivery.email import SmtpSettings
from alertd.delivery.message import MARK_HEADER
from alertd.delivery.operator_note import OperatorChannel, build_operator_note
from alertd.errors import DeliveryRejected
from alertd.records.keeping import DeadLetter
from tests.delivery.conftest import Mailbox

NOW = dt.datetime(2026, 7, 14, 5, tzinfo=dt.UTC)
SMTP = SmtpSettings("localhost", 25, "alerts@example.com", from_name="Invented Plant Care")
TO = "operator@example.com"


def letter(
    number: int = 1, reason: str = "550 5.1.1 no such mailbox", site: str = "Maple Court"
) -> DeadLetter:
    return DeadLetter(f"m{number}", "hot-dry-warning", "Sam Example", site, NOW, 3, reason)


def test_it_says_how_many_why_and_what_to_do_in_plain_text() -> None:
    mail = build_operator_note([letter(), letter(2), letter(3, "554 unwanted", "")], 5, TO, SMTP, NOW)
    assert mail["Subject"] == "Invented Plant Care: 3 messages were not delivered"
    assert (mail["To"], mail["Auto-Submitted"]) == (TO, "auto-generated")
    assert mail.get_content_type() == "text/plain"
    text = mail.get_content()
    assert "- 2 x 550 5.1.1 no such mailbox" in text
    assert "- 1 x 554 unwanted" in text
    assert "hot-dry-warning about Maple Court, for Sam Example, 2026-07-14 05:00" in text
    assert "5 messages can be sent again" in " ".join(text.split())
    assert "alertd outbox list" in text
    assert max(map(len, text.splitlines())) <= 76


def test_the_mail_of_one_day_has_one_id_and_no_mark_that_would_make_its_return_somebodys_bounce() -> None:
    first, again = (
        build_operator_note([letter()], 0, TO, SMTP, at) for at in (NOW, NOW + dt.timedelta(hours=9))
    )
    assert first["Message-ID"] == again["Message-ID"] == "<operator-2026-07-14@example.com>"
    assert first[MARK_HEADER] is None
    assert "can be sent again" not in first.get_content(), "briefs alone cannot be requeued"


def test_names_and_answers_cannot_break_out_of_their_line_nor_make_it_endless() -> None:
    evil = DeadLetter(
        "m1", "milestone", "Sam\r\nBcc: x@example.com", "M\x00" + "a" * 900, NOW, 1, "550\r\n" * 99
    )
    mail = build_operator_note([evil] * 500, 500, TO, SMTP, NOW)
    text = mail.get_content()
    assert "\nBcc:" not in mail.as_string()
    assert "\nBcc:" not in text
    assert "\x00" not in text
    assert "and 480 more" in text
    assert len(mail.as_bytes()) < 20_000


def test_an_address_that_is_none_is_refused() -> None:
    with pytest.raises(DeliveryRejected, match="operator_address"):
        build_operator_note([letter()], 1, "two@example.com, three@example.com", SMTP, NOW)


@pytest.mark.enable_socket
def test_it_goes_out_by_the_mail_server(
    mail_server: Callable[..., tuple[Mailbox, SmtpSettings]],
) -> None:
    mailbox, settings = mail_server()
    channel = OperatorChannel(settings, TO)
    assert channel.send([letter()], 1, NOW).startswith("250")
    assert mailbox.recipients == [[TO]]
    mailbox.answers["RCPT"] = "550 5.1.1 nobody"
    with pytest.raises(DeliveryRejected, match="nobody"):
        channel.send([letter()], 1, NOW)
