"""One object per channel that takes an alert with its reader and hands it over."""

from __future__ import annotations

import datetime as dt
from collections import OrderedDict
from collections.abc import Callable
from types import TracebackType
from typing import Protocol

from alertd.delivery.email import EmailTransport, Envelope, SmtpSettings, write_email
from alertd.delivery.guard import Guard
from alertd.delivery.handed_over import handed_over
from alertd.delivery.message import ReaderLinks, StopNotice
from alertd.delivery.shared import SharedRendering
from alertd.delivery.webhook import WebhookSettings, WebhookTransport, webhook_body
from alertd.records.alert import Alert, OutboxMessage
from alertd.records.site import Site, Subscriber

BODIES_KEPT = 16


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
        self,
        settings: SmtpSettings,
        stop_url: Callable[[Parcel], str | None] = no_stop_url,
        *,
        links: Callable[[Parcel, dt.datetime], ReaderLinks] | None = None,
    ) -> None:
        self._settings = settings
        self._links = links or (lambda parcel, _now: ReaderLinks(stop=stop_url(parcel)))
        self._transport = EmailTransport(settings)
        self._words = SharedRendering()

    def __enter__(self) -> EmailChannel:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._transport.close()

    def send(self, parcel: Parcel, now: dt.datetime) -> str:
        """Hand one message over. Raises DeliveryDeferred or DeliveryRejected."""
        alert, site, reader = parcel.alert, parcel.site, parcel.subscriber
        links = self._links(parcel, now)
        stop = StopNotice(self._settings.reply_address, links.stop, links.seen, links.snooze)
        envelope = Envelope(
            outbox_id=parcel.message.id,
            to_address=reader.address,
            to_name=reader.name,
            episode_id=alert.episode_id,
            site_id=site.id,
        )
        message = self._words.message(alert, site, reader, stop)
        if parcel.message.handed_over_from:
            message = handed_over(message, parcel.message.handed_over_from)
        mail = write_email(message, envelope, self._settings, stop, now, mark=links.mark)
        return self._transport.send(mail)


class WebhookChannel:
    """Posts alerts to machines, signed with every secret of the subscriber that holds."""

    def __init__(self, settings: WebhookSettings, guard: Guard | None = None) -> None:
        self._transport = WebhookTransport(settings, guard)
        self._bodies: OrderedDict[tuple[str, str, str, str], bytes] = OrderedDict()

    def __enter__(self) -> WebhookChannel:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._transport.close()

    def send(self, parcel: Parcel, now: dt.datetime) -> str:
        """Hand one message over. Raises DeliveryDeferred or DeliveryRejected."""
        reader = parcel.subscriber
        secrets, body = reader.secrets_at(now), self._body(parcel)
        return self._transport.send(reader.address, secrets, parcel.message.id, body, now)

    def _body(self, parcel: Parcel) -> bytes:
        """Return the body, which all readers of an alert share."""
        alert, site, silent = parcel.alert, parcel.site, parcel.message.handed_over_from
        key = (alert.id, site.id, site.name, silent)
        body = self._bodies.get(key)
        if body is None:
            body = self._bodies[key] = webhook_body(alert, site, silent)
            if len(self._bodies) > BODIES_KEPT:
                self._bodies.popitem(last=False)
        return body
