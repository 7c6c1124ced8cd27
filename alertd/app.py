"""The composition root: settings into working parts."""

from __future__ import annotations

import datetime as dt
import os
import socket
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

from alertd import __version__
from alertd.daemon.clock import Tick
from alertd.daemon.run import DaemonParts, RunSettings
from alertd.delivery.channels import EmailChannel, WebhookChannel
from alertd.delivery.email import SmtpSettings
from alertd.delivery.email import Tls as MailTls
from alertd.delivery.webhook import WebhookSettings
from alertd.errors import WeatherUnavailable
from alertd.records.site import Channel
from alertd.service.cycle import Cycle
from alertd.service.deliver import Delivery, OpenTransport
from alertd.service.outlook import Outlooks
from alertd.settings import ProviderName, Settings
from alertd.store.store import Store, open_store
from alertd.weather.client import ClientSettings
from alertd.weather.failover import Forecasts, Provider
from alertd.weather.metno import MetNo, MetNoSettings
from alertd.weather.nws import Nws, NwsSettings
from alertd.weather.openmeteo import OpenMeteo, OpenMeteoSettings

READY_PERIODS = 3
CYCLE_LIMIT_S = 3600.0


@dataclass
class App:
    """The working parts behind every command; each is built when it is first asked for."""

    settings: Settings
    store: Store

    def close(self) -> None:
        """Close the database."""
        self.store.close()

    @cached_property
    def forecasts(self) -> Forecasts:
        """The weather providers in their configured order. Raises ConfigError if a contact is missing."""
        return Forecasts([build_provider(name, self.settings) for name in self.settings.weather.providers])

    @property
    def cycle(self) -> Cycle:
        """One cycle over these parts."""
        weather = self.settings.weather
        return Cycle(self.store, self.forecasts, weather.cell_size_deg, weather.workers)

    @property
    def outlooks(self) -> Outlooks:
        """Looks at sites from stored weather."""
        return Outlooks(self.store, self.settings.weather.cell_size_deg)

    @cached_property
    def smtp(self) -> SmtpSettings | None:
        """Where mail is handed over, None if that is not set up."""
        smtp = self.settings.smtp
        if smtp.host is None or smtp.from_address is None:
            return None
        return SmtpSettings(
            host=smtp.host,
            port=smtp.effective_port,
            from_address=smtp.from_address,
            from_name=smtp.from_name,
            tls=MailTls(smtp.tls.value),
            username=smtp.username or "",
            password="" if smtp.password is None else smtp.password.get_secret_value(),
            reply_to=smtp.reply_to or "",
            timeout_s=smtp.timeout_s,
        )

    @cached_property
    def webhook(self) -> WebhookSettings:
        """How far webhooks reach."""
        webhook = self.settings.webhook
        networks = tuple(str(network) for network in webhook.allow_private_cidrs)
        return WebhookSettings(
            networks=networks,
            ports=webhook.ports,
            # In the clear only towards networks the operator has named.
            plain_http=bool(networks),
            user_agent=f"alertd/{__version__}",
        )

    @property
    def delivery(self) -> Delivery:
        """One delivery round over these parts."""
        webhook = self.webhook
        transports: dict[Channel, OpenTransport] = {Channel.WEBHOOK: lambda: WebhookChannel(webhook)}
        smtp = self.smtp
        if smtp is not None:
            transports[Channel.EMAIL] = lambda: EmailChannel(smtp)
        return Delivery(self.store, transports, owner=f"{socket.gethostname()}-{os.getpid()}")

    def daemon_parts(self) -> DaemonParts:
        """Return what the daemon runs: the cycle and the delivery round, each on its own tick."""
        daemon = self.settings.daemon
        stopping = threading.Event()
        cycle = replace(self.cycle, stopping=stopping.is_set)
        delivery = replace(self.delivery, stopping=stopping.is_set)
        return DaemonParts(
            ticks=(
                Tick(
                    "cycle",
                    daemon.cycle_every_min * 60.0,
                    lambda now: _run_cycle(cycle, now),
                    limit_s=CYCLE_LIMIT_S,
                    ready_periods=READY_PERIODS,
                ),
                Tick("delivery", float(daemon.deliver_every_s), lambda now: _deliver(delivery, now)),
            ),
            book=self.store,
            database_ok=self.store.ticks,
            stopping=stopping,
            gauges=self._gauges,
            close=self.close,
        )

    def run_settings(self) -> RunSettings:
        """Return how the daemon presents itself."""
        daemon = self.settings.daemon
        return RunSettings(health_host=daemon.health_host, health_port=daemon.health_port)

    def _gauges(self) -> Mapping[str, float]:
        return {f"outbox_{state.value}": float(n) for state, n in self.store.outbox_counts().items()}


def _run_cycle(cycle: Cycle, now: dt.datetime) -> None:
    report = cycle.run(now)
    if not report.ok:
        raise WeatherUnavailable(
            f"no cell got weather: {next(iter(report.faults.values()), 'no provider answered')}"
        )


def _deliver(delivery: Delivery, now: dt.datetime) -> None:
    delivery.run(now)


def build_provider(name: ProviderName, settings: Settings) -> Provider:
    """Return one weather provider. Raises ConfigError naming the setting at fault."""
    weather = settings.weather
    client = ClientSettings(contact=weather.contact or "", version=__version__)
    builders: dict[ProviderName, Callable[[], Provider]] = {
        ProviderName.OPENMETEO: lambda: OpenMeteo(
            OpenMeteoSettings(
                base_url=weather.openmeteo.effective_base_url,
                api_key=(
                    "" if weather.openmeteo.api_key is None else weather.openmeteo.api_key.get_secret_value()
                ),
                past_days=weather.past_days,
                forecast_days=weather.forecast_days,
            ),
            client,
        ),
        ProviderName.NWS: lambda: Nws(
            NwsSettings(base_url=weather.nws.base_url, past_hours=weather.past_days * 24), client
        ),
        ProviderName.METNO: lambda: MetNo(MetNoSettings(base_url=weather.metno.base_url), client),
    }
    return builders[name]()


def build_app(settings: Settings, *, create: bool = True, upgrade: bool = False) -> App:
    """Open the database and return the parts. Raises StoreUnusable or SchemaMismatch with the fix."""
    store = open_store(settings.database.url.get_secret_value(), create=create, upgrade_schema=upgrade)
    return App(settings, store)
