"""From a message in words to an email, and from there to the mail server."""

from __future__ import annotations

import datetime as dt
import functools
import hashlib
import re
import smtplib
import socket
import ssl
from collections.abc import Generator, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP as SMTP_POLICY
from email.utils import format_datetime
from enum import StrEnum
from urllib.parse import quote, urlsplit

from alertd.delivery.message import MARK_HEADER, Message, StopNotice
from alertd.delivery.mime import body, made_header, named_header
from alertd.delivery.transaction import SHUTTING_DOWN, open_envelope, send_content
from alertd.errors import ConfigError, DeliveryDeferred, DeliveryError, DeliveryRejected

MESSAGES_PER_CONNECTION = 100
NAME_KEPT_MAX = 200
SENDER = "sender (smtp.from_address)"
AUTH_CODES = frozenset({454, 530, 534, 535, 538})
_STATUS = re.compile(r"\s*(5\.\d{1,3}\.\d{1,3})(?!\d)")
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
        return self.domain or _sender_domain(self.from_address)

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


@functools.lru_cache(maxsize=8)
def _sender_domain(address: str) -> str:
    return mailbox(address, "smtp.from_address").domain


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


@dataclass(frozen=True, slots=True)
class Mail:
    """An email as it goes out: the bare address of its reader, and its lines, each ended by CRLF."""

    to_address: str
    content: bytes


def write_email(
    message: Message,
    envelope: Envelope,
    settings: SmtpSettings,
    stop: StopNotice,
    now: dt.datetime,
    *,
    mark: str = "",
) -> Mail:
    """Return the email: text, HTML and chart, with the headers that mailing practice asks for.

    Every email of an episode refers to one root id, so that mail programs keep them together
    whichever of them arrives. The same arguments give the same bytes, but for the ``Date`` of ``now``.
    Raises DeliveryRejected if the address cannot be written to.
    """
    domain = settings.mail_domain
    root = message_id(f"episode-{envelope.episode_id}", domain)
    utf8 = not (settings.from_address + envelope.to_address).isascii()
    name = envelope.to_name
    written = _to_header if len(name) <= NAME_KEPT_MAX else _to_header.__wrapped__
    lines = [
        _subject_header(_one_line(message.subject), utf8),
        _sender_headers(settings, utf8),
        written(envelope.to_address, name, utf8),
        made_header("Date", format_datetime(now.astimezone(dt.UTC))),
        made_header("Message-ID", message_id(envelope.outbox_id, domain)),
        made_header("In-Reply-To", root),
        made_header("References", root),
        *_list_headers(envelope, stop, domain),
        made_header("Auto-Submitted", "auto-generated"),
    ]
    if mark:
        lines.append(made_header(MARK_HEADER, mark))
    lines.append(body(message.text, message.html, message.chart_png, envelope.outbox_id))
    return Mail(envelope.to_address, b"".join(lines))


@functools.lru_cache(maxsize=64)
def _subject_header(subject: str, utf8: bool) -> bytes:
    return named_header("Subject", subject, utf8=utf8)


@functools.lru_cache(maxsize=8)
def _sender_headers(settings: SmtpSettings, utf8: bool) -> bytes:
    sender = mailbox(settings.from_address, "smtp.from_address", settings.from_name)
    lines = named_header("From", sender, utf8=utf8)
    if settings.reply_to:
        lines += named_header("Reply-To", mailbox(settings.reply_to, "smtp.reply_to"), utf8=utf8)
    return lines


@functools.lru_cache(maxsize=1024)
def _to_header(address: str, name: str, utf8: bool) -> bytes:
    try:
        recipient = mailbox(address, "address", name)
    except ConfigError as error:
        raise DeliveryRejected(f"{error}") from error
    return named_header("To", recipient, utf8=utf8)


def _one_line(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _list_headers(envelope: Envelope, stop: StopNotice, domain: str) -> list[bytes]:
    mailto = f"<mailto:{stop.address}?subject={quote('stop ' + envelope.site_id)}>"
    list_atom = message_id(envelope.site_id, domain)[1:].partition("@")[0]
    lines = [made_header("List-Id", f"<{list_atom}.alerts.{domain}>")]
    if stop.url is None:
        return [*lines, made_header("List-Unsubscribe", mailto)]
    if not stop.url.isascii() or not stop.url.isprintable() or set(stop.url) & set(" <>,"):
        raise DeliveryRejected("the unsubscribe link holds characters that do not belong in a URL")
    lines.append(made_header("List-Unsubscribe", f"<{stop.url}>,\r\n {mailto}"))
    if urlsplit(stop.url).scheme == "https":  # RFC 8058 asks for https
        lines.append(made_header("List-Unsubscribe-Post", "List-Unsubscribe=One-Click"))
    return lines


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

    def send(self, mail: Mail | EmailMessage) -> str:
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
                answer = self._transact(_as_mail(mail, self._settings.from_address))
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

    def _transact(self, mail: Mail) -> str:
        code, answer = send_content(self._begin(mail.to_address), mail.content)
        return f"{code} {_words(answer)}"

    def _begin(self, recipient: str) -> smtplib.SMTP:
        """Start a transaction; a kept connection that went stale meanwhile is replaced once."""
        sender = self._settings.from_address
        if (kept := self._smtp) is not None:
            try:
                open_envelope(kept, sender, recipient)
            except (smtplib.SMTPServerDisconnected, OSError):
                self.close()
            except smtplib.SMTPSenderRefused as error:
                if error.smtp_code != SHUTTING_DOWN:
                    raise
                self.close()
            else:
                return kept
        smtp = self._connected()
        open_envelope(smtp, sender, recipient)
        return smtp

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


def _as_mail(mail: Mail | EmailMessage, sender: str) -> Mail:
    if isinstance(mail, Mail):
        return mail
    recipient = mail["To"].addresses[0].addr_spec
    return Mail(recipient, mail.as_bytes(policy=SMTP_POLICY.clone(utf8=not (sender + recipient).isascii())))


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


@contextmanager
def _smtp_errors() -> Generator[None, None, None]:
    """Turn smtplib's errors into ours. RFC 5321, 4.2.1: 4yz is transient, 5yz permanent."""
    try:
        yield
    except smtplib.SMTPRecipientsRefused as error:
        code, answer = next(iter(error.recipients.values()))
        raise _refusal(code, answer, "recipient") from error
    except smtplib.SMTPSenderRefused as error:
        # What it says of an address is said of ours, not of the reader's.
        raise _refusal(error.smtp_code, error.smtp_error, SENDER) from error
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
        status = _STATUS.match(_words(answer))
        about_reader = status is not None and what != SENDER
        return DeliveryRejected(
            f"{what} refused for good: {said}", status.group(1) if status and about_reader else ""
        )
    return DeliveryDeferred(f"{what} refused for now: {said}", unreachable=code == SHUTTING_DOWN)


def _words(answer: bytes | str) -> str:
    text = answer.decode("utf-8", "replace") if isinstance(answer, bytes) else answer
    return _one_line(text)[:500]
