"""Real servers on loopback for the delivery tests."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, Session

from alertd.delivery.email import SmtpSettings, Tls


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


@dataclass
class Mailbox:
    """Takes mail and answers each step with what the test has set."""

    mails: list[bytes] = field(default_factory=list)
    recipients: list[list[str]] = field(default_factory=list)
    sessions: int = 0
    answers: dict[str, str] = field(default_factory=dict)
    hang_up_at: str = ""

    async def handle_EHLO(  # noqa: N802  # aiosmtpd's name
        self, server: SMTP, session: Session, envelope: Envelope, hostname: str, responses: list[str]
    ) -> list[str]:
        self.sessions += 1
        session.host_name = hostname
        return responses

    async def handle_MAIL(  # noqa: N802  # aiosmtpd's name
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if self.hang_up_at == "MAIL":
            self.hang_up_at = ""
            server.transport.close()
        if "MAIL" in self.answers:
            return self.answers["MAIL"]
        envelope.mail_from = address
        envelope.mail_options.extend(options)
        return "250 OK"

    async def handle_RCPT(  # noqa: N802  # aiosmtpd's name
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if "RCPT" in self.answers:
            return self.answers["RCPT"]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        if self.hang_up_at == "DATA":
            server.transport.close()
            return "250 never read"
        if "DATA" in self.answers:
            return self.answers["DATA"]
        assert envelope.content is not None
        content = envelope.content
        self.mails.append(content if isinstance(content, bytes) else content.encode())
        self.recipients.append(list(envelope.rcpt_tos))
        return "250 taken"


@dataclass(frozen=True)
class Authority:
    """A throw-away certificate authority and a server certificate for ``localhost``."""

    ca_file: str
    server: ssl.SSLContext


@pytest.fixture(scope="session")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    ca = trustme.CA()
    ca_file: Path = tmp_path_factory.mktemp("ca") / "ca.pem"
    ca.cert_pem.write_to_path(str(ca_file))
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    ca.issue_cert("localhost", "127.0.0.1").configure_cert(context)
    return Authority(str(ca_file), context)


@pytest.fixture
def mail_server() -> Iterator[Callable[..., tuple[Mailbox, SmtpSettings]]]:
    """Start a mail server; keyword arguments go to aiosmtpd's controller."""
    running: list[Controller] = []

    def start(settings: dict[str, Any] | None = None, **options: Any) -> tuple[Mailbox, SmtpSettings]:
        mailbox = Mailbox()
        port = free_port()
        controller = Controller(mailbox, hostname="127.0.0.1", port=port, **options)
        controller.start()
        running.append(controller)
        values: dict[str, Any] = {
            "host": "127.0.0.1",
            "port": port,
            "from_address": "alerts@example.com",
            "tls": Tls.NONE,
            "timeout_s": 5.0,
        }
        return mailbox, SmtpSettings(**(values | (settings or {})))

    yield start
    for controller in running:
        controller.stop()


def sign_in(server: SMTP, session: Session, envelope: Envelope, mechanism: str, login: Any) -> AuthResult:
    good = login.login == b"alertd" and login.password == b"right"
    return AuthResult(success=good, handled=good)


@dataclass
class Receiver:
    """Takes webhooks and answers with what the test has set."""

    status: int = 204
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""
    requests: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)
    drip: threading.Event | None = None
    port: int = 0


class _ReceiverHandler(BaseHTTPRequestHandler):
    """Answers as the receiver's state says."""

    protocol_version = "HTTP/1.1"
    state: Receiver

    def do_POST(self) -> None:
        state = self.state
        length = int(self.headers.get("Content-Length", "0"))
        state.requests.append((self.path, dict(self.headers.items()), self.rfile.read(length)))
        if state.drip is not None:
            self._drip(state.drip)
            return
        self.send_response(state.status)
        for name, value in state.headers.items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(state.body)))
        self.end_headers()
        self.wfile.write(state.body)

    def _drip(self, done: threading.Event) -> None:
        self.close_connection = True
        try:
            while not done.wait(0.05):
                self.wfile.write(b"H")
                self.wfile.flush()
        except OSError:
            return

    def log_message(self, format: str, *args: object) -> None:
        return


class _QuietServer(ThreadingHTTPServer):
    """Says nothing about clients that turn away."""

    daemon_threads = True

    def handle_error(self, request: Any, client_address: Any) -> None:
        return


@pytest.fixture
def receiver() -> Iterator[Callable[..., Receiver]]:
    """Start a web server that plays a receiver of webhooks."""
    running: list[ThreadingHTTPServer] = []

    def start(context: ssl.SSLContext | None = None, **changes: Any) -> Receiver:
        state = Receiver(**changes)
        handler = type("BoundHandler", (_ReceiverHandler,), {"state": state})
        server = _QuietServer(("127.0.0.1", 0), handler)
        if context is not None:
            server.socket = context.wrap_socket(server.socket, server_side=True)
        state.port = server.server_address[1]
        threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
        running.append(server)
        return state

    yield start
    for server in running:
        server.shutdown()
        server.server_close()
