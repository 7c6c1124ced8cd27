"""One object per channel that takes an alert with its reader and hands it over."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from types import TracebackType
from typing import Protocol

from alertd.delivery.email import EmailTransport, Envelope, SmtpSettings, build_email
from alertd.delivery.guard import Guard
from alertd.delivery.message import StopNotice
from alertd.delivery.render import render
from alertd.delivery.webhook import WebhookSettings, WebhookTransport, webhook_body
from alertd.records.alert import Alert, OutboxMessage
from alertd.records.site import Site, Subscriber


class Parcel(Protocol):
    """A message with everything needed to render it."""

    @property
    def message(self) -> OutboxMessage:
        """What names the message on every retry."""
        ...

    @property
    def alert(self) -> Alert:
        """What there is to say."""
        ...

    @property
    def site(self) -> Site:
        """The place it is about."""
        ...

    @property
    def subscriber(self) -> Subscriber:
        """Who reads it."""
        ...


def no_stop_url(_parcel: Parcel) -> str | None:
    """Return no link: readers then stop the emails by writing to the reply address."""
    return None


class EmailChannel:
    """Renders and mails alerts; one connection serves all messages sent inside its ``with`` block."""

    def __init__(
        self, settings: SmtpSettings, stop_url: Callable[[Parcel], str | None] = no_stop_url
    ) -> None:
        self._settings = settings
        self._stop_url = stop_url
        self._transport = EmailTransport(settings)

    def __enter__(self) -> EmailChannel:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._transport.close()

    def send(self, parcel: Parcel, now: dt.datetime) -> str:
        """Hand one message over. Raises DeliveryDeferred or DeliveryRejected."""
        alert, site, reader = parcel.alert, parcel.site, parcel.subscriber
        stop = StopNotice(self._settings.reply_address, self._stop_url(parcel))
        envelope = Envelope(
            outbox_id=parcel.message.id,
            to_address=reader.address,
            to_name=reader.name,
            episode_id=alert.episode_id,
            site_id=site.id,
        )
        message = render(alert, site, reader, stop)
        return self._transport.send(build_email(message, envelope, self._settings, stop, now))


class WebhookChannel:
    """Posts alerts to machines, signed with every secret of the subscriber (parted by blanks)."""

    def __init__(self, settings: WebhookSettings, guard: Guard | None = None) -> None:
        self._transport = WebhookTransport(settings, guard)

    def __enter__(self) -> WebhookChannel:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._transport.close()

    def send(self, parcel: Parcel, now: dt.datetime) -> str:
        """Hand one message over. Raises DeliveryDeferred or DeliveryRejected."""
        body = webhook_body(parcel.alert, parcel.site)
        reader = parcel.subscriber
        return self._transport.send(reader.address, reader.secret.split(), parcel.message.id, body, now)
