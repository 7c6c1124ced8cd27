"""The composition root: settings into working parts."""

from __future__ import annotations

import datetime as dt
import os
import secrets
import socket
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from alertd import __version__
from alertd.daemon.clock import StaysDue, Tick, utc_now
from alertd.daemon.memory import give_back
from alertd.daemon.run import DaemonParts, RunSettings
from alertd.delivery.bounce_folder import BounceFolder
from alertd.delivery.channels import EmailChannel, Parcel, WebhookChannel
from alertd.delivery.email import SmtpSettings
from alertd.delivery.email import Tls as MailTls
from alertd.delivery.letter import LetterChannel
from alertd.delivery.message import ReaderLinks
from alertd.delivery.notice import NoticeChannel
from alertd.delivery.operator_note import OperatorChannel
from alertd.delivery.webhook import WebhookSettings
from alertd.errors import StoreBusy, StoreConflict, WeatherUnavailable
from alertd.records.alert import Change
from alertd.records.assessment import Assessment
from alertd.records.brief import Letter
from alertd.records.keeping import BRIEF_REF, MESSAGE_REF
from alertd.records.preferences import BriefKind
from alertd.records.site import Channel, Site, Subscriber
from alertd.service.bounces import Bounces
from alertd.service.briefs import BriefRound
from alertd.service.cycle import Cycle
from alertd.service.deliver import Delivery, OpenTransport
from alertd.service.ensemble import Ensembles
from alertd.service.judge import SkillLookup
from alertd.service.leader import RENEW_EVERY_S, Leadership
from alertd.service.learn import LEARNED_AT_ONCE, learn
from alertd.service.links import EVERYTHING, Links, as_keys
from alertd.service.notices import NoticeRound
from alertd.service.operator_report import TICK as REPORT_TICK
from alertd.service.operator_report import OperatorReport
from alertd.service.outlook import Outlooks
from alertd.service.people import People
from alertd.service.prune import Keep, Prune
from alertd.service.skill import Skills
from alertd.service.trial import Trial
from alertd.service.verify import Verifier
from alertd.settings import ProviderName, Settings
from alertd.store.store import Store, open_store
from alertd.weather.cache import ResponseCache
from alertd.weather.client import ClientSettings
from alertd.weather.failover import Forecasts, Provider
from alertd.weather.metno import MetNo, MetNoSettings
from alertd.weather.nws import Nws, NwsSettings
from alertd.weather.openmeteo import OpenMeteo, OpenMeteoSettings
from alertd.weather.openmeteo_ensemble import EnsembleSettings, OpenMeteoEnsemble
from alertd.web.app import WebParts, create_app
from alertd.web.reader import Reader
from alertd.web.server import ListenSettings, WebServer

READY_PERIODS = 3
CYCLE_LIMIT_S = 3600.0
LEARN_EVERY_S = 3600.0
ASK_EVERY_S = 15.0
"""How often the table of due times is asked; so much later than due a cycle may begin."""
CELLS_AT_ONCE = 25
"""Archives of forecasts read in one cycle, a third of a second each; the others wait for the next."""
BOUNCES_EVERY_S = 60.0
BRIEFS_EVERY_S = 60.0
OLD_SECRETS_EVERY_S = 3600.0
DAY_S = 86400.0
LINK_KEY = "links"


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
        return Forecasts(
            [
                build_provider(name, self.settings, self.store.responses)
                for name in self.settings.weather.providers
            ]
        )

    @property
    def cycle(self) -> Cycle:
        """One cycle over these parts."""
        weather = self.settings.weather
        return Cycle(
            self.store, self.forecasts, weather.cell_size_deg, weather.workers, skill_of=self.skill_renewed
        )

    @property
    def outlooks(self) -> Outlooks:
        """Looks at sites from stored weather."""
        return Outlooks(self.store, self.settings.weather.cell_size_deg, self.skill_of)

    @cached_property
    def skills(self) -> Skills:
        """How good the forecasts of each cell have been."""
        return Skills(self.store, self.store, self.settings.weather.cell_size_deg, at_once=CELLS_AT_ONCE)

    @cached_property
    def ensembles(self) -> Ensembles | None:
        """The spread of an ensemble over what the forecasts' record tells, None where none is set."""
        source = build_ensemble(self.settings)
        if source is None:
            return None
        size_deg = self.settings.weather.cell_size_deg
        return Ensembles(self.skills.of, self.skills.renewed, self.store, source, size_deg)

    @property
    def skill_of(self) -> SkillLookup:
        """What is known of the forecasts of sites, behind every chance that is shown."""
        return self.skills.of if self.ensembles is None else self.ensembles.of

    @property
    def skill_renewed(self) -> SkillLookup:
        """The same, brought up to date first."""
        return self.skills.renewed if self.ensembles is None else self.ensembles.renewed

    @cached_property
    def smtp(self) -> SmtpSettings | None:
        """Where mail is handed over, None if that is not set up."""
        return build_smtp(self.settings)

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
            transports[Channel.EMAIL] = lambda: EmailChannel(smtp, links=self._reader_links)
        return Delivery(self.store, transports, owner=_owner(), refused=self.bounces.refused)

    @cached_property
    def links(self) -> Links:
        """Makes and reads the links and marks in mails; its key is made once where none is set."""
        web = self.settings.web
        given = None if web.secret is None else web.secret.get_secret_value()
        secret = given or self.store.kept_key(LINK_KEY, lambda: secrets.token_urlsafe(32), now=utc_now())
        return Links(web.base_url or "", as_keys(secret))

    @cached_property
    def people(self) -> People:
        """How readers come and go; without public pages the operator vouches for their addresses."""
        return People(self.store, confirms=self.settings.web.base_url is not None)

    @property
    def bounces(self) -> Bounces:
        """What is done with mail that comes back."""
        return Bounces(self.store, self.people, self.links)

    @property
    def trial(self) -> Trial:
        """Tries the way to one subscriber."""
        return Trial(self.webhook, self.smtp, self._trial_links)

    def _trial_links(self, reader: Subscriber) -> ReaderLinks:
        has_pages = self.settings.web.base_url is not None
        return ReaderLinks(stop=self.links.stop(reader.id) if has_pages else None)

    @property
    def notices(self) -> NoticeRound | None:
        """One round of mails about subscriptions, None without public pages or without mail."""
        smtp = self.smtp
        if smtp is None or self.settings.web.base_url is None:
            return None
        return NoticeRound(self.store, self.links, lambda: NoticeChannel(smtp), refused=self.bounces.refused)

    @property
    def briefs(self) -> BriefRound | None:
        """One round of digests and briefs, None without mail."""
        smtp = self.smtp
        if smtp is None:
            return None
        return BriefRound(
            self.store,
            self._judged,
            lambda: LetterChannel(smtp, self._letter_links),
            refused=self.bounces.refused,
        )

    @property
    def prune(self) -> Prune:
        """The daily tidying, by the settings."""
        kept = self.settings.database
        keep = Keep(
            weather_days=kept.keep_weather_days,
            answers_days=kept.keep_answers_days,
            letters_days=kept.keep_letters_days,
            tries_days=kept.keep_tries_days,
        )
        return Prune(self.store, keep)

    @property
    def operator_report(self) -> OperatorReport | None:
        """The daily report of what was given up, None without mail or without somebody to tell."""
        smtp, address = self.smtp, self.settings.daemon.operator_address
        if smtp is None or address is None:
            return None
        return OperatorReport(self.store, OperatorChannel(smtp, address))

    def _judged(self, sites: Sequence[Site], now: dt.datetime) -> Mapping[str, Assessment]:
        """Return what stored weather says of sites, those without weather left out."""
        looks = self.outlooks.look(sites, now)
        return {look.site.id: look.assessment for look in looks if look.assessment is not None}

    def _letter_links(self, letter: Letter) -> ReaderLinks:
        """Return the links of a digest or brief; one click on those of a brief must not end the warnings."""
        mark = self.links.mark(f"{BRIEF_REF}.{letter.brief.id}")
        if self.settings.web.base_url is None:
            return ReaderLinks(mark=mark)
        target = EVERYTHING if letter.brief.kind is BriefKind.DIGEST else letter.brief.kind.value
        return ReaderLinks(stop=self.links.stop(letter.reader.id, target), mark=mark)

    @property
    def web_server(self) -> WebServer | None:
        """The pages behind the links, None where this process does not serve them."""
        web = self.settings.web
        if web.base_url is None or not web.enabled:
            return None
        parts = WebParts(
            reader=Reader(self.links, self.people),
            https=self.links.is_https,
            bounces=self.bounces,
            bounce_secret="" if web.bounce_secret is None else web.bounce_secret.get_secret_value(),
        )
        listen = ListenSettings(web.listen_host, web.listen_port, web.trusted_proxies)
        return WebServer(create_app(parts, utc_now), listen)

    def _reader_links(self, parcel: Parcel, now: dt.datetime) -> ReaderLinks:
        mark = self.links.mark(f"{MESSAGE_REF}.{parcel.message.id}")
        if self.settings.web.base_url is None:
            return ReaderLinks(mark=mark)
        reader, alert = parcel.subscriber.id, parcel.alert
        over = alert.change is Change.CLOSED
        return ReaderLinks(
            stop=self.links.stop(reader, parcel.site.id),
            seen=None if over else self.links.seen(reader, alert.episode_id, now),
            snooze=self.links.snooze(reader, parcel.site.id, now),
            mark=mark,
        )

    def _mail_ticks(self, stopping: threading.Event) -> Iterator[Tick]:
        """Yield what is done about subscriptions and returned mail, as far as it is set up."""
        yield Tick("secrets", OLD_SECRETS_EVERY_S, self.store.drop_old_secrets)
        notices = self.notices
        if notices is not None:
            every_s = float(self.settings.daemon.deliver_every_s)
            asking = replace(notices, stopping=stopping.is_set)
            yield Tick("notices", every_s, asking.run)
        briefs = self.briefs
        if briefs is not None:
            telling = replace(briefs, stopping=stopping.is_set)
            yield Tick("briefs", BRIEFS_EVERY_S, telling.run)
        folder = self.settings.smtp.bounce_folder
        if folder is not None:
            box, bounces = BounceFolder(folder), self.bounces
            yield Tick("bounces", BOUNCES_EVERY_S, lambda now: _take_bounces(box, bounces, now))

    def daemon_parts(self) -> DaemonParts:
        """Return what the daemon runs: the cycle and the delivery round, each on its own tick."""
        daemon = self.settings.daemon
        stopping = threading.Event()
        # Secrets make the name of this life its own: two containers often share host name and process id.
        leadership = Leadership(self.store, f"{_owner()}-{secrets.token_hex(4)}")
        cycle = replace(self.cycle, stopping=stopping.is_set, lead_of=leadership.held)
        delivery = replace(self.delivery, stopping=stopping.is_set)
        return DaemonParts(
            ticks=(
                Tick(
                    "cycle",
                    daemon.cycle_every_min * 60.0,
                    lambda now: _run_cycle(cycle, now),
                    limit_s=CYCLE_LIMIT_S,
                    ready_periods=READY_PERIODS,
                    ask_every_s=ASK_EVERY_S,
                    may_begin=leadership.seek,
                ),
                Tick("lead", RENEW_EVERY_S, leadership.seek),
                Tick("delivery", float(daemon.deliver_every_s), delivery.run),
                *self._mail_ticks(stopping),
                Tick(
                    "learn",
                    LEARN_EVERY_S,
                    lambda now: self.learn(now, stopping=stopping.is_set),
                    ask_every_s=ASK_EVERY_S,
                    may_begin=leadership.seek,
                ),
                *self._daily_ticks(stopping, leadership),
            ),
            book=self.store,
            database_ok=self.store.ticks,
            stopping=stopping,
            gauges=self._gauges,
            close=lambda: self._retire(leadership),
            servers=() if (web := self.web_server) is None else (web,),
            standing=lambda: leadership.standing(utc_now()),
        )

    def _daily_ticks(self, stopping: threading.Event, leadership: Leadership) -> Iterator[Tick]:
        """Yield what one of the processes does once a day."""

        def daily(name: str, run: Callable[[dt.datetime], object]) -> Tick:
            return Tick(
                name,
                DAY_S,
                run,
                ask_every_s=ASK_EVERY_S,
                may_begin=leadership.seek,
            )

        yield daily("prune", replace(self.prune, stopping=stopping.is_set).run)
        report = self.operator_report
        if report is not None:
            yield daily(REPORT_TICK, report.run)

    def _retire(self, leadership: Leadership) -> None:
        """Let another process lead at once, and close the database."""
        leadership.resign(utc_now())
        self.close()

    def learn(
        self, now: dt.datetime, at_once: int = LEARNED_AT_ONCE, stopping: Callable[[], bool] = lambda: False
    ) -> int:
        """Compare some sites' past chances with what became of them; returns how many sites were due."""
        verifier = Verifier(self.store, self.settings.weather.cell_size_deg)
        return learn(verifier, self.skills, self.store.sites(), now, at_once=at_once, stopping=stopping)

    def run_settings(self) -> RunSettings:
        """Return how the daemon presents itself."""
        daemon = self.settings.daemon
        return RunSettings(health_host=daemon.health_host, health_port=daemon.health_port)

    def _gauges(self) -> Mapping[str, float]:
        waiting = {f"outbox_{state.value}": float(n) for state, n in self.store.outbox_counts().items()}
        back = self.store.bounce_counts(utc_now() - dt.timedelta(days=1))
        return waiting | {f"bounces_{kind.value}_last_day": float(n) for kind, n in back.items()}


def _owner() -> str:
    return f"{socket.gethostname()}-{os.getpid()}"


def _run_cycle(cycle: Cycle, now: dt.datetime) -> None:
    """Run a cycle; one that another process or a stop cut short stays due, for whoever leads then."""
    try:
        report = cycle.run(now)
    except (StoreBusy, StoreConflict) as error:
        raise StaysDue(str(error)) from error
    finally:
        give_back()
    if report.cut_short:
        raise StaysDue(f"stopped after {report.assessed} of {report.sites} sites")
    if not report.ok:
        raise WeatherUnavailable(
            f"no cell got weather: {next(iter(report.faults.values()), 'no provider answered')}"
        )


def _take_bounces(box: BounceFolder, bounces: Bounces, now: dt.datetime) -> None:
    box.take(lambda raw: bounces.take(raw, now).is_aside)


def build_smtp(settings: Settings) -> SmtpSettings | None:
    """Return where mail is handed over, None if that is not set up. Raises ConfigError."""
    smtp = settings.smtp
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


def build_provider(name: ProviderName, settings: Settings, kept: ResponseCache | None = None) -> Provider:
    """Return one weather provider. Raises ConfigError naming the setting at fault.

    MET Norway forbids to ask again before an answer expires: its answers are ``kept`` over a restart.
    The addresses of the others change with every request or say nothing of expiry.
    """
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
        ProviderName.METNO: lambda: MetNo(MetNoSettings(base_url=weather.metno.base_url), client, kept),
    }
    return builders[name]()


def build_ensemble(settings: Settings) -> OpenMeteoEnsemble | None:
    """Return who is asked for the spread behind chances, None where no model is set. Raises ConfigError."""
    asked = settings.weather.openmeteo
    if asked.ensemble_model is None:
        return None
    ensemble = EnsembleSettings(
        model=asked.ensemble_model,
        base_url=asked.effective_ensemble_base_url,
        api_key="" if asked.api_key is None else asked.api_key.get_secret_value(),
        forecast_days=settings.weather.forecast_days,
    )
    return OpenMeteoEnsemble(ensemble, ClientSettings(settings.weather.contact or "", version=__version__))


def build_app(settings: Settings, *, create: bool = True, upgrade: bool = False) -> App:
    """Open the database and return the parts. Raises StoreUnusable or SchemaMismatch with the fix."""
    store = open_store(settings.database.url.get_secret_value(), create=create, upgrade_schema=upgrade)
    return App(settings, store)
