"""The mail that asks somebody to confirm their address: short, without pictures, and nothing to leave by."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from email.message import EmailMessage
from email.policy import SMTP as SMTP_POLICY
from email.utils import format_datetime
from types import TracebackType
from zoneinfo import ZoneInfo

from alertd.delivery.email import EmailTransport, SmtpSettings, mailbox, message_id
from alertd.delivery.message import MARK_HEADER
from alertd.delivery.palette import DARK, LIGHT
from alertd.delivery.render import environments
from alertd.delivery.wording import one_line
from alertd.errors import ConfigError, DeliveryRejected

NAME_SHOWN_MAX = 60
SITES_SHOWN_MAX = 5


@dataclass(frozen=True, slots=True)
class Confirmation:
    """Who is asked to confirm what, where, and until when."""

    notice_id: str
    to_address: str
    reader_name: str
    site_names: tuple[str, ...]
    url: str
    expires_at: dt.datetime
    zone: str
    mark: str = ""


def build_confirmation(asked: Confirmation, settings: SmtpSettings, now: dt.datetime) -> EmailMessage:
    """Return the mail; the same request always has the same Message-ID. Raises DeliveryRejected."""
    try:
        recipient = mailbox(asked.to_address, "address", one_line(asked.reader_name)[:NAME_SHOWN_MAX])
    except ConfigError as error:
        raise DeliveryRejected(f"{error}") from error
    plain, html = environments()
    names = _names(asked, settings)
    mail = EmailMessage(policy=SMTP_POLICY)
    mail["Subject"] = f"Please confirm: alerts from {one_line(settings.from_name)[:NAME_SHOWN_MAX]}"
    mail["From"] = mailbox(settings.from_address, "smtp.from_address", settings.from_name)
    mail["To"] = recipient
    if settings.reply_to:
        mail["Reply-To"] = mailbox(settings.reply_to, "smtp.reply_to")
    mail["Date"] = format_datetime(now.astimezone(dt.UTC))
    mail["Message-ID"] = message_id(f"notice-{asked.notice_id}", settings.mail_domain)
    mail["Auto-Submitted"] = "auto-generated"
    if asked.mark:
        mail[MARK_HEADER] = asked.mark
    text = plain.get_template("email/confirm.txt.j2").render(names)
    markup = html.get_template("email/confirm.html.j2").render(names)
    mail.set_content(text.strip() + "\n", subtype="plain", charset="utf-8", cte="quoted-printable")
    mail.add_alternative(markup.strip() + "\n", subtype="html", charset="utf-8", cte="quoted-printable")
    return mail


def _names(asked: Confirmation, settings: SmtpSettings) -> dict[str, object]:
    shown = [one_line(name)[:NAME_SHOWN_MAX] for name in asked.site_names[:SITES_SHOWN_MAX]]
    until = asked.expires_at.astimezone(ZoneInfo(asked.zone))
    return {
        "sender": one_line(settings.from_name)[:NAME_SHOWN_MAX],
        "reader_name": one_line(asked.reader_name)[:NAME_SHOWN_MAX],
        "sites": shown,
        "sites_more": len(asked.site_names) - len(shown),
        "url": asked.url,
        "until": f"{until:%A} {until.day} {until:%B %Y}",
        "address": settings.reply_address,
        "light": LIGHT,
        "dark": DARK,
    }


class NoticeChannel:
    """Mails requests to confirm; one connection serves all that are sent inside its ``with`` block."""

    def __init__(self, settings: SmtpSettings) -> None:
        self._settings = settings
        self._transport = EmailTransport(settings)

    def __enter__(self) -> NoticeChannel:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._transport.close()

    def send(self, asked: Confirmation, now: dt.datetime) -> str:
        """Hand one request over. Raises DeliveryDeferred or DeliveryRejected."""
        return self._transport.send(build_confirmation(asked, self._settings, now))
