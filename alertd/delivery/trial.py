"""The message that only tries the way to a subscriber: plainly a test, as mail and as webhook."""

from __future__ import annotations

import datetime as dt
import json

from alertd.delivery.email import Envelope, Mail, SmtpSettings, write_email
from alertd.delivery.message import Message, ReaderLinks, StopNotice
from alertd.delivery.palette import DARK, LIGHT
from alertd.delivery.render import environments, tidy
from alertd.delivery.webhook import BODY_VERSION
from alertd.delivery.wording import one_line
from alertd.records.site import Subscriber

TRIAL_KIND = "test"
NAME_SHOWN_MAX = 60
TEXT = "This is a test message from alertd. It says nothing about any site; nothing needs to be done."


def trial_body(reader: Subscriber, now: dt.datetime) -> bytes:
    """Return the JSON body, as ``schemas/test.v1.json`` describes it."""
    event = {
        "type": f"alertd.{TRIAL_KIND}",
        "timestamp": now.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "version": BODY_VERSION,
        "data": {"subscriber_id": reader.id, "subscriber_name": reader.name, "text": TEXT},
    }
    return json.dumps(event, ensure_ascii=False, separators=(",", ":"), sort_keys=True).encode()


def trial_mail(
    reader: Subscriber, trial_id: str, settings: SmtpSettings, links: ReaderLinks, now: dt.datetime
) -> Mail:
    """Return the mail, built like those with alerts. Raises DeliveryRejected."""
    stop = StopNotice(settings.reply_address, links.stop)
    plain, html = environments()
    reader_name = one_line(reader.name)[:NAME_SHOWN_MAX]
    names = {
        "reader_name": reader_name,
        "sender": one_line(settings.from_name)[:NAME_SHOWN_MAX],
        "words": TEXT,
        "stop": stop,
        "light": LIGHT,
        "dark": DARK,
    }
    message = Message(
        subject=f"Test: mails from {names['sender']} reach you",
        preview=TEXT,
        text=tidy(plain.get_template("email/trial.txt.j2").render(names)),
        html=html.get_template("email/trial.html.j2").render(names).strip() + "\n",
    )
    envelope = Envelope(trial_id, reader.address, reader_name, f"test-{reader.id}", TRIAL_KIND)
    return write_email(message, envelope, settings, stop, now)
