"""From a message in words to an email, and from there to the mail server."""

from __future__ import annotations

import datetime as dt
import hashlib
import re
import smtplib
import socket
import ssl
from collections.abc import Generator, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP as SMTP_POLICY
from email.utils import format_datetime
from enum import StrEnum
from urllib.parse import quote, urlsplit

from alertd.delivery.message import Message, StopNotice
from alertd.errors import ConfigError, DeliveryDeferred, DeliveryError, DeliveryRejected

CHART_CID = "chart"
MESSAGES_PER_CONNECTION = 100
AUTH_CODES = frozenset({454, 530, 534, 535, 538})
_ATOM = re.compile(r"[A-Za-z0-9_-]{1,64}\Z")
_DOMAIN = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9.-]{0,251}[A-Za-z0-9])?\Z")


class Tls(StrEnum):
    """How the connection to the mail server is protected."""

    NONE = "none"
    STARTTLS = "starttls"
    IMPLICIT = "implicit"


@dataclass(frozen=True, slots=True)
class SmtpSettings:
    """Where mail is handed over, and as whom. ``ca_file`` adds an authority of the operator's own."""

    host: str
    port: int
    from_address: str
    from_name: str = "alertd"
    tls: Tls = Tls.STARTTLS
    username: str = ""
    password: str = field(default="", repr=False)
    reply_to: str = ""
    domain: str = ""
    timeout_s: float = 30.0
    ca_file: str | None = None

    def __post_init__(self) -> None:
        mailbox(self.from_address, "smtp.from_address")
        mailbox(self.reply_address, "smtp.reply_to")
        if not _DOMAIN.match(self.mail_domain):
            raise ConfigError(f"smtp.domain: {self.mail_domain!r} is not a domain name")
        if self.username and self.tls is Tls.NONE and self.host not in {"localhost", "127.0.0.1", "::1"}:
            raise ConfigError("smtp.tls: a password needs starttls or implicit, not none")

    @property
    def mail_domain(self) -> str:
        """The domain that our message ids belong to."""
        return self.domain or mailbox(self.from_address, "smtp.from_address").domain

    @property
    def reply_address(self) -> str:
        """The bare address that answers go to."""
        return self.reply_to or self.from_address


def mailbox(address: str, setting: str, name: str = "") -> Address:
    """Return a bare ``user@domain`` with a name beside it. Raises ConfigError naming the setting."""
    if not address.isprintable() or any(c in address for c in " ,;<>") or address.count("@") != 1:
        raise ConfigError(f"{setting}: {address!r} is not one bare email address, as alerts@example.com")
    local, _, domain = address.partition("@")
    try:
        if address.isascii():
            return Address(display_name=_one_line(name), addr_spec=address)
        return Address(display_name=_one_line(name), username=local, domain=domain)
    except Exception as error:  # the parser raises several types, some of them undocumented
        raise ConfigError(f"{setting}: {address!r} is not an email address ({error})") from error


@dataclass(frozen=True, slots=True)
class Envelope:
    """What one copy of a message needs besides its words. ``outbox_id`` names it on every retry."""

    outbox_id: str
    to_address: str
    to_name: str
    episode_id: str
    site_id: str


def message_id(part: str, domain: str) -> str:
    """Return a Message-ID made of an id of ours; the same id always gives the same Message-ID."""
    atom = part if _ATOM.match(part) else hashlib.sha256(part.encode()).hexdigest()[:40]
    return f"<{atom}@{domain}>"


def build_email(
    message: Message, envelope: Envelope, settings: SmtpSettings, stop: StopNotice, now: dt.datetime
) -> EmailMessage:
    """Return the email: text, HTML and chart, with the headers that mailing practice asks for.

    Every email of an episode refers to one root id, so that mail programs keep them together
    whichever of them arrives. Raises DeliveryRejected if the address cannot be written to.
    """
    email = EmailMessage(policy=SMTP_POLICY)
    domain = settings.mail_domain
    root = message_id(f"episode-{envelope.episode_id}", domain)
    try:
        recipient = mailbox(envelope.to_address, "address", envelope.to_name)
    except ConfigError as error:
        raise DeliveryRejected(f"{error}") from error
    email["Subject"] = _one_line(message.subject)
    email["From"] = mailbox(settings.from_address, "smtp.from_address", settings.from_name)
    email["To"] = recipient
    if settings.reply_to:
        email["Reply-To"] = mailbox(settings.reply_to, "smtp.reply_to")
    email["Date"] = format_datetime(now.astimezone(dt.UTC))
    email["Message-ID"] = message_id(envelope.outbox_id, domain)
    email["In-Reply-To"] = root
    email["References"] = root
    for name, value in _list_headers(envelope, stop, domain).items():
        email[name] = value
    email["Auto-Submitted"] = "auto-generated"
    email.set_content(message.text, subtype="plain", charset="utf-8", cte="quoted-printable")
    email.add_alternative(message.html, subtype="html", charset="utf-8", cte="quoted-printable")
    if message.chart_png is not None:
        _html_part(email).add_related(
            message.chart_png,
            maintype="image",
            subtype="png",
            cid=f"<{CHART_CID}>",
            filename="chart.png",
            disposition="inline",
        )
    return email


def _html_part(email: EmailMessage) -> EmailMessage:
    part = email.get_body(preferencelist=("html",))
    assert isinstance(part, EmailMessage)  # noqa: S101  # it was added one step earlier
    return part


def _one_line(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _list_headers(envelope: Envelope, stop: StopNotice, domain: str) -> Mapping[str, str]:
    mailto = f"<mailto:{stop.address}?subject={quote('stop ' + envelope.site_id)}>"
    list_atom = message_id(envelope.site_id, domain)[1:].partition("@")[0]
    headers = {"List-Id": f"<{list_atom}.alerts.{domain}>", "List-Unsubscribe": mailto}
    if stop.url is None:
        return headers
    if not stop.url.isascii() or not stop.url.isprintable() or set(stop.url) & set(" <>,"):
        raise DeliveryRejected("the unsubscribe link holds characters that do not belong in a URL")
    headers["List-Unsubscribe"] = f"<{stop.url}>, {mailto}"
    if urlsplit(stop.url).scheme == "https":  # RFC 8058 asks for https
        headers["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
    return headers


class EmailTransport:
    """Hands emails to the mail server, many over one connection. For one thread at a time."""

    def __init__(self, settings: SmtpSettings) -> None:
        self._settings = settings
        self._smtp: smtplib.SMTP | None = None
        self._sent = 0

    @contextmanager
    def session(self) -> Iterator[EmailTransport]:
        """Keep one connection for all emails sent inside the block."""
        try:
            yield self
        finally:
            self.close()

    def close(self) -> None:
        """Take leave of the mail server; harmless without a connection."""
        smtp, self._smtp, self._sent = self._smtp, None, 0
        if smtp is None:
            return
        try:
            smtp.quit()
        except (OSError, smtplib.SMTPException):
            smtp.close()

    def check(self) -> None:
        """Connect, protect, log in and leave again. Raises DeliveryDeferred naming the setting to fix."""
        with self.session():
            self._connected()

    def send(self, email: EmailMessage) -> str:
        """Hand one email over and return the server's answer.

        Raises
        ------
        DeliveryDeferred
            4yz answers, no connection, TLS or login trouble (with the setting to fix).
        DeliveryRejected
            5yz answers to sender, recipient or content.
        """
        if self._sent >= MESSAGES_PER_CONNECTION:
            self.close()
        try:
            with _smtp_errors():
                answer = self._transact(email)
        except DeliveryError as error:
            self._recover(error)
            raise
        self._sent += 1
        return answer

    def _recover(self, error: DeliveryError) -> None:
        """Keep the connection if the server merely said no; leave it in any other case."""
        said_no = isinstance(error.__cause__, smtplib.SMTPResponseException | smtplib.SMTPRecipientsRefused)
        if not said_no or self._smtp is None:
            self.close()
            return
        try:
            code, _ = self._smtp.rset()
        except (OSError, smtplib.SMTPException):
            code = 0
        if code != 250:
            self.close()

    def shake_hands(self) -> str:
        """Connect, encrypt and sign in without sending anything, and return the server's word.

        Raises
        ------
        DeliveryError
            Naming the setting to fix.
        """
        with _smtp_errors():
            code, answer = self._connected().noop()
            if code != 250:
                raise smtplib.SMTPResponseException(code, answer)
        return f"{code} {_words(answer)}"

    def _transact(self, email: EmailMessage) -> str:
        sender = self._settings.from_address
        recipient = email["To"].addresses[0].addr_spec
        smtp = self._begin(sender, recipient)
        code, answer = smtp.rcpt(recipient)
        if code not in (250, 251):
            raise smtplib.SMTPRecipientsRefused({recipient: (code, answer)})
        policy = SMTP_POLICY.clone(utf8=not (sender + recipient).isascii())
        code, answer = smtp.data(email.as_bytes(policy=policy))
        if code != 250:
            raise smtplib.SMTPDataError(code, answer)
        return f"{code} {_words(answer)}"

    def _begin(self, sender: str, recipient: str) -> smtplib.SMTP:
        """Start a transaction; a kept connection that went stale meanwhile is replaced once."""
        options = () if (sender + recipient).isascii() else ("SMTPUTF8",)
        if self._smtp is not None:
            try:
                return _mail_from(self._smtp, sender, options)
            except (smtplib.SMTPServerDisconnected, OSError):
                self.close()
            except smtplib.SMTPSenderRefused as error:
                if error.smtp_code != 421:
                    raise
                self.close()
        return _mail_from(self._connected(), sender, options)

    def _connected(self) -> smtplib.SMTP:
        if self._smtp is None:
            with _smtp_errors():
                self._smtp = self._open()
            self._sent = 0
        return self._smtp

    def _open(self) -> smtplib.SMTP:
        settings = self._settings
        smtp = _dial(settings)
        try:
            # Nagle's wait for a delayed ACK would cost each message that TLS cuts into records about 40 ms.
            if isinstance(smtp.sock, socket.socket):
                smtp.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            smtp.ehlo_or_helo_if_needed()
            if settings.tls is Tls.STARTTLS:
                _start_tls(smtp, settings)
            if settings.username:
                _log_in(smtp, settings)
        except BaseException:
            smtp.close()
            raise
        return smtp


def _context(settings: SmtpSettings) -> ssl.SSLContext:
    try:
        # smtplib's own default does not verify the server; this one does.
        return ssl.create_default_context(cafile=settings.ca_file)
    except (OSError, ssl.SSLError) as error:
        raise DeliveryDeferred(
            f"smtp.ca_file: {settings.ca_file!r} cannot be used: {error}", unreachable=True
        ) from error


def _dial(settings: SmtpSettings) -> smtplib.SMTP:
    where = f"{settings.host}:{settings.port}"
    try:
        if settings.tls is Tls.IMPLICIT:
            return smtplib.SMTP_SSL(
                settings.host,
                settings.port,
                local_hostname=settings.mail_domain,
                timeout=settings.timeout_s,
                context=_context(settings),
            )
        return smtplib.SMTP(
            settings.host, settings.port, local_hostname=settings.mail_domain, timeout=settings.timeout_s
        )
    except ssl.SSLError as error:
        raise _tls_trouble(settings, error) from error
    except smtplib.SMTPException:
        raise
    except OSError as error:
        raise DeliveryDeferred(
            f"mail server {where} not reached: {error}; check smtp.host and smtp.port", unreachable=True
        ) from error


def _start_tls(smtp: smtplib.SMTP, settings: SmtpSettings) -> None:
    if not smtp.has_extn("starttls"):
        raise DeliveryDeferred(
            f"mail server {settings.host}:{settings.port} offers no STARTTLS; check smtp.tls and smtp.port",
            unreachable=True,
        )
    try:
        smtp.starttls(context=_context(settings))
    except ssl.SSLError as error:
        raise _tls_trouble(settings, error) from error
    smtp.ehlo()


def _tls_trouble(settings: SmtpSettings, error: ssl.SSLError) -> DeliveryDeferred:
    if isinstance(error, ssl.SSLCertVerificationError):
        return DeliveryDeferred(
            f"the certificate of mail server {settings.host} is not trusted: {error.verify_message}; "
            "check smtp.host, or set smtp.ca_file to your own authority",
            unreachable=True,
        )
    return DeliveryDeferred(
        f"TLS with mail server {settings.host}:{settings.port} failed ({error.reason}); "
        "check smtp.tls and smtp.port",
        unreachable=True,
    )


def _log_in(smtp: smtplib.SMTP, settings: SmtpSettings) -> None:
    try:
        smtp.login(settings.username, settings.password)
    except smtplib.SMTPAuthenticationError as error:
        raise DeliveryDeferred(
            f"the mail server refused the login ({error.smtp_code}); check smtp.username and smtp.password",
            unreachable=True,
        ) from error
    except smtplib.SMTPNotSupportedError as error:
        raise DeliveryDeferred(
            "the mail server offers no login here; check smtp.tls and smtp.port, or clear smtp.username",
            unreachable=True,
        ) from error


def _mail_from(smtp: smtplib.SMTP, sender: str, options: tuple[str, ...]) -> smtplib.SMTP:
    if options and not smtp.has_extn("smtputf8"):
        raise DeliveryRejected("the mail server cannot take addresses with letters beyond a-z")
    code, answer = smtp.mail(sender, options)
    if code != 250:
        raise smtplib.SMTPSenderRefused(code, answer, sender)
    return smtp


@contextmanager
def _smtp_errors() -> Generator[None, None, None]:
    """Turn smtplib's errors into ours. RFC 5321, 4.2.1: 4yz is transient, 5yz permanent."""
    try:
        yield
    except smtplib.SMTPRecipientsRefused as error:
        code, answer = next(iter(error.recipients.values()))
        raise _refusal(code, answer, "recipient") from error
    except smtplib.SMTPSenderRefused as error:
        raise _refusal(error.smtp_code, error.smtp_error, "sender (smtp.from_address)") from error
    except smtplib.SMTPResponseException as error:
        raise _refusal(error.smtp_code, error.smtp_error, "message") from error
    except (OSError, smtplib.SMTPException, ValueError) as error:
        raise DeliveryDeferred(f"the mail server hung up or spoke nonsense: {error}") from error


def _refusal(code: int, answer: bytes | str, what: str) -> DeliveryError:
    said = f"{code} {_words(answer)}"
    if code in AUTH_CODES:
        return DeliveryDeferred(
            f"the mail server wants a login: {said}; check smtp.username, smtp.password and smtp.tls",
            unreachable=True,
        )
    if 500 <= code < 600:
        return DeliveryRejected(f"{what} refused for good: {said}")
    # RFC 5321, 3.8: 421 closes the connection, whatever it was about.
    return DeliveryDeferred(f"{what} refused for now: {said}", unreachable=code == 421)


def _words(answer: bytes | str) -> str:
    text = answer.decode("utf-8", "replace") if isinstance(answer, bytes) else answer
    return _one_line(text)[:500]
