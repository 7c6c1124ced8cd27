"""Trying the way to one subscriber: a message that says it is a test, over the channel of the alerts."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass

import structlog

from alertd.alerts.machine import opaque_id
from alertd.delivery.email import EmailTransport, SmtpSettings
from alertd.delivery.message import ReaderLinks
from alertd.delivery.trial import TRIAL_KIND, trial_body, trial_mail
from alertd.delivery.webhook import WebhookSettings, WebhookTransport
from alertd.errors import ConfigError, DeliveryDeferred, DeliveryError, DeliveryRejected, InputError
from alertd.records.site import Channel, Standing, Subscriber

log = structlog.get_logger("alertd.trial")

WHY_NOT = {
    Standing.PENDING: "has not confirmed the address yet; nothing but the request to do so is sent before",
    Standing.SUSPENDED: "could not be reached and is suspended; resume it first",
    Standing.LEFT: "has left; nothing is sent to somebody who asked to be left alone",
}


@dataclass(frozen=True, slots=True)
class Trial:
    """Sends one test message at once, past the outbox, through the same guard, TLS and signing."""

    webhook: WebhookSettings
    smtp: SmtpSettings | None
    links: Callable[[Subscriber], ReaderLinks]

    def send(self, reader: Subscriber, now: dt.datetime) -> str:
        """Send it and return what the other side answered.

        Raises
        ------
        InputError
            If this one is sent nothing now: not confirmed, suspended, left, switched off.
        ConfigError
            If mail is not set up.
        DeliveryError
            What went wrong and what to do about it.
        """
        if reader.standing is not Standing.ACTIVE:
            raise InputError("subscriber", f"{reader.name} {WHY_NOT[reader.standing]}")
        if not reader.active:
            raise InputError("subscriber", f"{reader.name} is switched off; switch it on first")
        trial_id = f"{TRIAL_KIND}-{opaque_id(reader.id, now.isoformat())}"
        way = self._post if reader.channel is Channel.WEBHOOK else self._mail
        try:
            said = way(reader, trial_id, now)
        except DeliveryError as error:
            log.info("trial-failed", subscriber=reader.id, message=trial_id, error=str(error))
            raise _with_fix(error, reader) from error
        log.info("trial-sent", subscriber=reader.id, message=trial_id)
        return said

    def _post(self, reader: Subscriber, trial_id: str, now: dt.datetime) -> str:
        with WebhookTransport(self.webhook) as transport:
            return transport.send(
                reader.address, reader.secrets_at(now), trial_id, trial_body(reader, now), now
            )

    def _mail(self, reader: Subscriber, trial_id: str, now: dt.datetime) -> str:
        if self.smtp is None:
            raise ConfigError("smtp: mail is not set up; set smtp.host and smtp.from_address")
        mail = trial_mail(reader, trial_id, self.smtp, self.links(reader), now)
        with EmailTransport(self.smtp).session() as transport:
            return transport.send(mail)


def _with_fix(error: DeliveryError, reader: Subscriber) -> DeliveryError:
    """Return the same error with the thing to do, unless it names one already."""
    said = str(error)
    fix = _fix(said, reader)
    told = said if not fix or "; " in said else f"{said}; {fix}"
    if isinstance(error, DeliveryDeferred):
        return DeliveryDeferred(told, error.retry_after_s, unreachable=error.unreachable)
    return DeliveryRejected(told)


def _fix(said: str, reader: Subscriber) -> str:
    if reader.channel is Channel.EMAIL:
        return "check the address, and the log of the mail server" if "recipient refused" in said else ""
    for mark, fix in _FIXES:
        if mark in said:
            return fix
    return "see the log of the receiver"


_FIXES = (
    ("HTTP 401", "see that the receiver has the newest secret; `alertd subscriber rotate-secret` makes one"),
    ("HTTP 403", "see that the receiver has the newest secret; `alertd subscriber rotate-secret` makes one"),
    ("HTTP 404", "check the path of the webhook's address"),
    ("HTTP 410", "remove the subscriber, or give the address that holds now"),
    ("not public", "name its network in webhook.allow_private_cidrs if it is yours"),
    ("could not be reached", "see that the receiver runs, and check host and port of its address"),
    ("did not answer in time", "see that the receiver answers first and works afterwards"),
    ("certificate", "give the receiver a certificate for its name from a known authority"),
)
