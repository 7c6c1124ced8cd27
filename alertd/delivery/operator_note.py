"""The mail that tells the operator what was given up: plain text, and no part of the outbox."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Sequence
from email.message import EmailMessage
from email.policy import SMTP as SMTP_POLICY
from email.utils import format_datetime

from alertd.delivery.email import EmailTransport, SmtpSettings, mailbox, message_id
from alertd.delivery.render import fill
from alertd.delivery.wording import one_line
from alertd.errors import ConfigError, DeliveryRejected
from alertd.records.keeping import DeadLetter

LETTERS_SHOWN_MAX = 20
REASONS_SHOWN_MAX = 10
NAME_SHOWN_MAX = 60


def build_operator_note(
    new: Sequence[DeadLetter], dead: int, to_address: str, settings: SmtpSettings, now: dt.datetime
) -> EmailMessage:
    """Return the mail about what was given up since the last one; ``dead`` is how many messages are now.

    The same day always has the same Message-ID. It carries no mark of ours: returned, it is nobody's bounce.
    Raises DeliveryRejected if the address cannot be written to.
    """
    try:
        recipient = mailbox(to_address, "daemon.operator_address")
    except ConfigError as error:
        raise DeliveryRejected(f"{error}") from error
    mail = EmailMessage(policy=SMTP_POLICY)
    mail["Subject"] = f"{one_line(settings.from_name)[:NAME_SHOWN_MAX]}: {_count(len(new))} not delivered"
    mail["From"] = mailbox(settings.from_address, "smtp.from_address", settings.from_name)
    mail["To"] = recipient
    mail["Date"] = format_datetime(now.astimezone(dt.UTC))
    mail["Message-ID"] = message_id(f"operator-{now.astimezone(dt.UTC):%Y-%m-%d}", settings.mail_domain)
    mail["Auto-Submitted"] = "auto-generated"
    mail.set_content(_text(new, dead), subtype="plain", charset="utf-8", cte="quoted-printable")
    return mail


def _count(number: int) -> str:
    return "one message was" if number == 1 else f"{number} messages were"


def _text(new: Sequence[DeadLetter], dead: int) -> str:
    lines = [f"{_count(len(new)).capitalize()} given up since the last report. The reasons:", ""]
    reasons = Counter(one_line(one.reason) or "none was given" for one in new).most_common()
    lines += [fill(f"{times} x {reason}", "- ", "  ") for reason, times in reasons[:REASONS_SHOWN_MAX]]
    if len(reasons) > REASONS_SHOWN_MAX:
        lines.append(f"- and {len(reasons) - REASONS_SHOWN_MAX} other reasons")
    lines += ["", "The newest first:", ""]
    lines += [fill(_line(one), "- ", "  ") for one in new[:LETTERS_SHOWN_MAX]]
    if len(new) > LETTERS_SHOWN_MAX:
        lines.append(f"- and {len(new) - LETTERS_SHOWN_MAX} more")
    if dead:
        again = f"{_count(dead).partition(' w')[0].capitalize()} can be sent again."
        lines += ["", fill(f"Nothing of this is tried any more by itself. {again} See to the cause, then:")]
        lines += ["", "  alertd outbox list", "  alertd outbox requeue ID", "  alertd outbox discard ID"]
    lines += ["", fill("This mail comes once a day at most, and only if there is something new to tell.")]
    return "\n".join(lines) + "\n"


def _line(one: DeadLetter) -> str:
    where = f" about {one_line(one.site)[:NAME_SHOWN_MAX]}" if one.site else ""
    tries = "1 try" if one.attempts == 1 else f"{one.attempts} tries"
    who = one_line(one.subscriber)[:NAME_SHOWN_MAX]
    return (
        f"{one.what}{where}, for {who}, {one.at.astimezone(dt.UTC):%Y-%m-%d %H:%M} UTC, {tries} (id {one.id})"
    )


class OperatorChannel:
    """Mails the operator, one connection a mail."""

    def __init__(self, settings: SmtpSettings, address: str) -> None:
        self._settings = settings
        self._address = address

    def send(self, new: Sequence[DeadLetter], dead: int, now: dt.datetime) -> str:
        """Hand one report over. Raises DeliveryDeferred or DeliveryRejected."""
        mail = build_operator_note(new, dead, self._address, self._settings, now)
        with EmailTransport(self._settings).session() as transport:
            return transport.send(mail)
