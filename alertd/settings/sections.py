"""What can be set: one frozen record a section, every key with its range and its meaning."""

from __future__ import annotations

import re
from collections.abc import Iterator
from enum import StrEnum
from ipaddress import IPv4Network, IPv6Network, ip_address
from pathlib import Path
from typing import Annotated, Literal, Self
from urllib.parse import urlsplit

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    SecretStr,
    model_validator,
)

from alertd.errors import ConfigError

WEB_KEY_LENGTH_MIN = 32
WEATHER_DAYS_MIN = 120
"""What `alertd score` and learning read without being asked for more: 30 days, and the 60 before them."""
DATABASE_SCHEMES = ("sqlite", "postgresql")


def _split(raw: object) -> object:
    """Return the parts of a comma list, which is how the environment writes a list."""
    return [part.strip() for part in raw.split(",") if part.strip()] if isinstance(raw, str) else raw


def _base_url(raw: str) -> str:
    parts = urlsplit(raw)
    if parts.scheme not in {"http", "https"} or not parts.hostname:
        raise ValueError("is not an http(s) address with a host")
    if parts.username or parts.password or parts.query or parts.fragment:
        raise ValueError("holds more than scheme, host, port and path")
    return raw.rstrip("/")


def _mailbox(raw: str) -> str:
    if not re.fullmatch(r"[^@\s<>,;]+@[^@\s<>,;]+", raw):
        raise ValueError("is not one bare mail address")
    return raw


def _one_line(raw: str) -> str:
    if not raw.strip() or not raw.isprintable():
        raise ValueError("is empty or not one line of printable text")
    return raw.strip()


BaseUrl = Annotated[str, AfterValidator(_base_url)]
Mailbox = Annotated[str, AfterValidator(_mailbox)]
Line = Annotated[str, AfterValidator(_one_line)]
Port = Annotated[int, Field(ge=1, le=65535)]


class ProviderName(StrEnum):
    """A weather provider alertd can speak to."""

    OPENMETEO = "openmeteo"
    NWS = "nws"
    METNO = "metno"


class Tls(StrEnum):
    """How the connection to the mail server is encrypted."""

    NONE = "none"
    STARTTLS = "starttls"
    IMPLICIT = "implicit"


_TLS_PORT = {Tls.NONE: 25, Tls.STARTTLS: 587, Tls.IMPLICIT: 465}


class Section(BaseModel):
    """Base of every section: frozen, closed, silent about the values it refuses."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", use_attribute_docstrings=True, hide_input_in_errors=True
    )


class DatabaseSettings(Section):
    """Where everything is kept."""

    url: SecretStr
    """Database URL: sqlite:///<path> or postgresql+psycopg://user@host/name. May hold a password."""
    keep_weather_days: int = Field(default=400, ge=WEATHER_DAYS_MIN, le=3650)
    """Days that forecasts as issued and the seasons worked out of them are kept; scores need a season."""
    keep_answers_days: int = Field(default=7, ge=1, le=3650)
    """Days that the providers' answers are kept."""
    keep_letters_days: int = Field(default=180, ge=60, le=3650)
    """Days that digests, briefs, requests to confirm and notes of returned mail are kept once settled."""
    keep_tries_days: int = Field(default=800, ge=60, le=3650)
    """Days that single tries to deliver are kept; alerts, their evidence and who got them stay."""

    @model_validator(mode="after")
    def _known_scheme(self) -> Self:
        scheme = self.url.get_secret_value().partition(":")[0].partition("+")[0]
        if scheme not in DATABASE_SCHEMES:
            raise ValueError("url: must begin with sqlite:/// or postgresql+psycopg://")
        return self


class OpenMeteoSettings(Section):
    """Open-Meteo: free hosts for non-commercial use only, a business needs a key."""

    api_key: SecretStr | None = None
    """Key of the paid plan; without it the free, non-commercial host is asked."""
    base_url: BaseUrl | None = None
    """Scheme and host to ask; left out, the host that fits the presence of a key."""
    ensemble_model: Annotated[str, Field(pattern=r"^[a-z0-9_]{2,60}$")] | None = None
    """One model whose ensemble gives the spread behind chances, as icon_seamless; left out, none is asked."""
    ensemble_base_url: BaseUrl | None = None
    """Scheme and host to ask for the ensemble; left out, the host that fits the presence of a key."""

    @property
    def effective_ensemble_base_url(self) -> str:
        """The host to ask for the ensemble."""
        if self.ensemble_base_url is not None:
            return self.ensemble_base_url
        return f"https://{'' if self.api_key is None else 'customer-'}ensemble-api.open-meteo.com"

    @property
    def effective_base_url(self) -> str:
        """The host to ask."""
        if self.base_url is not None:
            return self.base_url
        return f"https://{'api' if self.api_key is None else 'customer-api'}.open-meteo.com"


class NwsSettings(Section):
    """The United States National Weather Service: free, United States only, contact required."""

    base_url: BaseUrl = "https://api.weather.gov"
    """Scheme and host to ask."""


class MetnoSettings(Section):
    """MET Norway: free with credit, also for a business; contact required."""

    base_url: BaseUrl = "https://api.met.no"
    """Scheme and host to ask."""


class WeatherSettings(Section):
    """Whom to ask for weather, how much of it, and how old it may be."""

    providers: Annotated[tuple[ProviderName, ...], BeforeValidator(_split), Field(min_length=1)] = (
        ProviderName.OPENMETEO,
        ProviderName.NWS,
        ProviderName.METNO,
    )
    """Providers in the order they are asked; the next one serves when one fails."""
    contact: Line | None = None
    """Mail address or web page where the provider reaches you; nws and metno refuse requests without it."""
    cell_size_deg: float = Field(default=0.02, ge=0.005, le=0.25, allow_inf_nan=False)
    """Raster of the weather cells in degrees; sites in one cell share one fetch."""
    past_days: int = Field(default=7, ge=1, le=31)
    """Days of past weather to ask for."""
    forecast_days: int = Field(default=10, ge=8, le=16)
    """Days of forecast to ask for."""
    workers: int = Field(default=4, ge=1, le=32)
    """Cells fetched at the same time."""
    openmeteo: OpenMeteoSettings = OpenMeteoSettings()
    """Section weather.openmeteo."""
    nws: NwsSettings = NwsSettings()
    """Section weather.nws."""
    metno: MetnoSettings = MetnoSettings()
    """Section weather.metno."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if len(set(self.providers)) != len(self.providers):
            raise ValueError("providers: a provider is named twice")
        return self

    @property
    def contact_needed_by(self) -> tuple[ProviderName, ...]:
        """The configured providers that refuse requests without a contact."""
        return tuple(name for name in self.providers if name is not ProviderName.OPENMETEO)


class SmtpSettings(Section):
    """Where mail is handed over."""

    host: Line | None = None
    """Name of the mail server; without it no mail can be sent."""
    port: Port | None = None
    """Port of the mail server; left out, 587 for starttls, 465 for implicit, 25 for none."""
    tls: Tls = Tls.STARTTLS
    """none, starttls or implicit; none only for a server on this machine or a trusted wire."""
    username: Line | None = None
    """Name to sign in with; left out, no sign-in."""
    password: SecretStr | None = None
    """Password to sign in with."""
    from_address: Mailbox | None = None
    """Sender of every mail, a bare address."""
    from_name: Line = "alertd"
    """Sender's name beside the address."""
    reply_to: Mailbox | None = None
    """Where answers go, a bare address; left out, to the sender."""
    timeout_s: float = Field(default=30.0, gt=0.0, le=300.0, allow_inf_nan=False)
    """Seconds without an answer after which the mail server counts as unreachable."""
    bounce_folder: Path | None = None
    """Maildir or mbox file, of its own, that mail coming back to from_address is put into."""

    @model_validator(mode="after")
    def _sign_in(self) -> Self:
        if (self.username is None) != (self.password is None):
            raise ValueError("username: username and password belong together; give both or neither")
        if self.username is not None and self.tls is Tls.NONE and not _is_loopback(self.host):
            raise ValueError("tls: a password would travel in clear; use starttls or implicit")
        return self

    @property
    def effective_port(self) -> int:
        """The port to connect to."""
        return self.port if self.port is not None else _TLS_PORT[self.tls]


class WebhookSettings(Section):
    """Which receivers a webhook may reach."""

    allow_private_cidrs: Annotated[tuple[IPv4Network | IPv6Network, ...], BeforeValidator(_split)] = ()
    """Private networks that webhooks may reach in spite of the guard, as 10.20.0.0/16."""
    ports: Annotated[tuple[Port, ...], BeforeValidator(_split), Field(min_length=1)] = (443, 8443)
    """Ports that webhooks may reach."""


class DaemonSettings(Section):
    """The clock and the health endpoint of `alertd run`."""

    health_host: Line = "127.0.0.1"
    """Address the health endpoint listens on; it asks nobody to sign in, so keep it on loopback."""
    health_port: int = Field(default=8642, ge=0, le=65535)
    """Port of the health endpoint; 0 takes a free one and logs it."""
    cycle_every_min: int = Field(default=60, ge=5, le=1440)
    """Minutes from one look at the weather to the next."""
    deliver_every_s: int = Field(default=30, ge=5, le=3600)
    """Seconds from one look into the outbox to the next."""
    operator_address: Mailbox | None = None
    """Who is mailed once a day if messages were given up; left out, nobody is."""


class WebSettings(Section):
    """The pages behind the links in messages: confirm, stop, seen, quiet."""

    base_url: BaseUrl | None = None
    """Public address that links in messages begin with; left out, no such links and no pages."""
    enabled: bool = True
    """false: this process serves no pages, because another one on the same database does."""
    listen_host: Line = "127.0.0.1"
    """Address the pages listen on; keep it on loopback behind a server that speaks https."""
    listen_port: int = Field(default=8643, ge=0, le=65535)
    """Port of the pages; 0 takes a free one and logs it."""
    trusted_proxies: Annotated[tuple[Line, ...], BeforeValidator(_split)] = ("127.0.0.1", "::1")
    """Addresses of the servers in front of it, whose word about the visitor's address is taken."""
    secret: SecretStr | None = None
    """Signs the links: 32 random characters or more, a newer key before older ones; left out, made once."""
    bounce_secret: SecretStr | None = None
    """Lets a mail server post returned mail to /bounces; left out, there is no such door."""

    @model_validator(mode="after")
    def _long_secrets(self) -> Self:
        for name, secret in (("secret", self.secret), ("bounce_secret", self.bounce_secret)):
            keys = [] if secret is None else secret.get_secret_value().split()
            if secret is not None and (not keys or min(map(len, keys)) < WEB_KEY_LENGTH_MIN):
                raise ValueError(f"{name}: is shorter than {WEB_KEY_LENGTH_MIN} characters")
        return self


class LogSettings(Section):
    """What is logged, and how."""

    level: Literal["debug", "info", "warning", "error"] = "info"
    """Least severity that is logged."""
    format: Literal["json", "console"] = "console"
    """json for machines (one object a line), console for people."""


class Settings(Section):
    """Everything that can be set, read once and never changed."""

    database: DatabaseSettings
    """Section database."""
    weather: WeatherSettings = WeatherSettings()
    """Section weather."""
    smtp: SmtpSettings = SmtpSettings()
    """Section smtp."""
    webhook: WebhookSettings = WebhookSettings()
    """Section webhook."""
    daemon: DaemonSettings = DaemonSettings()
    """Section daemon."""
    web: WebSettings = WebSettings()
    """Section web."""
    log: LogSettings = LogSettings()
    """Section log."""

    def require(self, *, weather: bool = False, mail: bool = False) -> None:
        """Check that what real weather or real mail needs is set.

        Raises
        ------
        ConfigError
            Naming everything that is missing at once.
        """
        problems = [*(self._weather_needs() if weather else ()), *(self._mail_needs() if mail else ())]
        if problems:
            raise refusal(problems)

    def _weather_needs(self) -> Iterator[str]:
        needed_by = " and ".join(self.weather.contact_needed_by)
        if not needed_by:
            return
        fix = (
            "set weather.contact (ALERTD_WEATHER__CONTACT) to a mail address or web page of yours, "
            'or set weather.providers = ["openmeteo"]'
        )
        if self.weather.contact is None:
            yield f"weather.contact: missing, and {needed_by} refuse requests without it; {fix}"
        elif is_placeholder(self.weather.contact):
            yield f"weather.contact: is a placeholder, and {needed_by} block false contacts; {fix}"

    def _mail_needs(self) -> Iterator[str]:
        if self.smtp.host is None:
            yield "smtp.host: missing; set it (ALERTD_SMTP__HOST) to the name of your mail server"
        if self.smtp.from_address is None:
            yield "smtp.from_address: missing; set it (ALERTD_SMTP__FROM_ADDRESS) to the sender's address"


def is_placeholder(contact: str) -> bool:
    """Return whether a contact reaches nobody: reserved domains (RFC 2606) or no address at all."""
    host = (urlsplit(contact).hostname or "") if "://" in contact else contact.rpartition("@")[2]
    labels = host.lower().rstrip(".").split(".")
    if labels[-1] in {"test", "example", "invalid", "localhost"} or len(labels) < 2:
        return True
    return labels[-2] == "example" and labels[-1] in {"com", "net", "org"}


def setting_keys(model: type[BaseModel] = Settings, prefix: str = "") -> dict[str, str]:
    """Return every key, dotted, with its one-sentence description."""
    keys: dict[str, str] = {}
    for name, info in model.model_fields.items():
        inner = info.annotation
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            keys.update(setting_keys(inner, f"{prefix}{name}."))
        else:
            keys[f"{prefix}{name}"] = info.description or ""
    return keys


def secret_keys(model: type[BaseModel] = Settings, prefix: str = "") -> tuple[str, ...]:
    """Return the dotted keys of the secrets; each may also come from a file."""
    keys: list[str] = []
    for name, info in model.model_fields.items():
        inner = info.annotation
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            keys += secret_keys(inner, f"{prefix}{name}.")
        elif inner is SecretStr or inner == SecretStr | None:
            keys.append(f"{prefix}{name}")
    return tuple(keys)


def refusal(problems: list[str]) -> ConfigError:
    """Return the error that reports every problem at once."""
    if len(problems) == 1:
        return ConfigError(problems[0])
    return ConfigError(f"{len(problems)} settings are wrong:\n" + "\n".join(f"- {line}" for line in problems))


def _is_loopback(host: str | None) -> bool:
    if host is None or host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False
