"""Commands go in one group where the server offers PIPELINING, and each reply still decides its own mail."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import pytest

from alertd.delivery.email import EmailTransport, Mail, SmtpSettings, Tls
from alertd.errors import DeliveryDeferred, DeliveryRejected

CONTENT = b"Subject: x\r\n\r\n.\r\n..two\r\nlast\r\n"
PIPELINING = b"250-here\r\n250 PIPELINING\r\n"
OK, TAKE, GO_ON, TAKEN = b"250 ok\r\n", b"250 yes\r\n", b"354 go on\r\n", b"250 taken\r\n"


@dataclass
class Script:
    """A mail server that says what it was told to, line for line; an empty word hangs up."""

    ehlo: bytes = PIPELINING
    words: list[bytes] = field(default_factory=list)
    heard: list[bytes] = field(default_factory=list)
    """Every chunk after EHLO as it came in."""
    sessions: int = 0
    port: int = 0

    def serve(self, listener: socket.socket) -> None:
        while True:
            try:
                connection, _peer = listener.accept()
            except OSError:
                return
            self.sessions += 1
            with connection:
                self.talk(connection)

    def talk(self, connection: socket.socket) -> None:
        connection.sendall(b"220 here\r\n")
        connection.recv(1 << 16)
        connection.sendall(self.ehlo)
        while chunk := connection.recv(1 << 20):
            self.heard.append(chunk)
            if chunk.upper().startswith(b"QUIT"):
                connection.sendall(b"221 bye\r\n")
                return
            for _ in range(self.wanted(chunk)):
                word = self.words.pop(0)
                if not word:
                    return
                connection.sendall(word)

    def wanted(self, chunk: bytes) -> int:
        """How many replies a chunk of commands asks for; a whole content asks for one."""
        lines = chunk.split(b"\r\n")[:-1]
        commands = [line for line in lines if line[:4].upper() in {b"MAIL", b"RCPT", b"DATA", b"RSET"}]
        return len(commands) if commands else int(lines[-1] == b".")


@pytest.fixture
def server() -> Iterator[Callable[..., tuple[Script, EmailTransport]]]:
    running: list[tuple[socket.socket, threading.Thread]] = []

    def start(*words: bytes, ehlo: bytes = PIPELINING) -> tuple[Script, EmailTransport]:
        listener = socket.create_server(("127.0.0.1", 0))
        script = Script(ehlo, list(words), port=listener.getsockname()[1])
        thread = threading.Thread(target=script.serve, args=(listener,), daemon=True)
        thread.start()
        running.append((listener, thread))
        settings = SmtpSettings("127.0.0.1", script.port, "alerts@example.com", tls=Tls.NONE, timeout_s=3.0)
        return script, EmailTransport(settings)

    yield start
    for listener, thread in running:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join(5)


Start = Callable[..., tuple[Script, EmailTransport]]
GROUP = b"MAIL FROM:<alerts@example.com>\r\nRCPT TO:<%b@example.org>\r\nDATA\r\n"


def mail(name: str = "sam") -> Mail:
    return Mail(f"{name}@example.org", CONTENT)


@pytest.mark.enable_socket
def test_the_three_commands_go_together_and_data_is_the_last(server: Start) -> None:
    script, transport = server(OK, TAKE, GO_ON, TAKEN)
    with transport.session():
        assert transport.send(mail()) == "250 taken"
    # RFC 2920, 3.1: DATA can only appear as the last command in a group.
    assert script.heard == [GROUP % b"sam", CONTENT.replace(b"\n.", b"\n..") + b".\r\n", b"quit\r\n"]


@pytest.mark.enable_socket
def test_a_server_that_does_not_offer_it_hears_one_command_at_a_time(server: Start) -> None:
    script, transport = server(OK, TAKE, GO_ON, TAKEN, ehlo=b"250 here\r\n")
    with transport.session():
        assert transport.send(mail()) == "250 taken"
    assert [chunk[:4] for chunk in script.heard[:3]] == [b"MAIL", b"RCPT", b"DATA"]


@pytest.mark.enable_socket
@pytest.mark.parametrize(
    ("words", "error", "match"),
    [
        ((b"451 a\r\n", b"503 b\r\n", b"503 c\r\n"), DeliveryDeferred, r"sender .*451 a"),
        ((b"550 a\r\n", b"503 b\r\n", b"503 c\r\n"), DeliveryRejected, r"sender .*550 a"),
        ((OK, b"452 b\r\n", b"554 c\r\n"), DeliveryDeferred, r"recipient .*452 b"),
        ((OK, b"550 b\r\n", b"503 c\r\n"), DeliveryRejected, r"recipient .*550 b"),
        ((OK, TAKE, b"451 c\r\n"), DeliveryDeferred, r"message .*451 c"),
        ((OK, TAKE, b"554 c\r\n"), DeliveryRejected, r"message .*554 c"),
    ],
)
def test_the_first_no_decides_and_the_next_mail_hears_its_own_replies(
    server: Start, words: tuple[bytes, ...], error: type[Exception], match: str
) -> None:
    script, transport = server(*words, b"250 reset\r\n", OK, TAKE, GO_ON, TAKEN)
    with transport.session():
        with pytest.raises(error, match=match):
            transport.send(mail("first"))
        assert transport.send(mail("second")) == "250 taken"
    assert script.sessions == 1
    assert script.heard[1] == b"rset\r\n"
    assert script.heard[2] == GROUP % b"second"
    assert script.words == []


@pytest.mark.enable_socket
def test_a_server_that_wants_content_for_nobody_gets_a_single_dot(server: Start) -> None:
    # RFC 2920, 3.1: if DATA was accepted although no recipient was, the client sends a single dot.
    script, transport = server(OK, b"550 5.1.1 unknown\r\n", GO_ON, b"554 nobody\r\n", b"250 reset\r\n")
    with transport.session(), pytest.raises(DeliveryRejected, match="unknown"):
        transport.send(mail())
    assert script.heard == [GROUP % b"sam", b".\r\n", b"rset\r\n", b"quit\r\n"]


@pytest.mark.enable_socket
@pytest.mark.parametrize("code", [b"451", b"554"])
def test_the_word_on_the_content_decides_alone(server: Start, code: bytes) -> None:
    script, transport = server(OK, TAKE, GO_ON, code + b" no\r\n", b"250 reset\r\n", OK, TAKE, GO_ON, TAKEN)
    error = DeliveryDeferred if code.startswith(b"4") else DeliveryRejected
    with transport.session():
        with pytest.raises(error, match="no"):
            transport.send(mail("first"))
        assert transport.send(mail("second")) == "250 taken"
    assert script.sessions == 1


@pytest.mark.enable_socket
@pytest.mark.parametrize("words", [(b"554 go away\r\n", b""), (OK, b"550 go away\r\n", b"")])
def test_a_no_before_a_hang_up_is_heard(server: Start, words: tuple[bytes, ...]) -> None:
    script, transport = server(*words, OK, TAKE, GO_ON, TAKEN)
    with transport.session():
        with pytest.raises(DeliveryRejected, match="go away"):
            transport.send(mail("first"))
        assert transport.send(mail("second")) == "250 taken"
    assert script.sessions == 2


@pytest.mark.enable_socket
@pytest.mark.parametrize("before", [(), (OK,), (OK, TAKE)])
def test_a_server_that_shuts_down_anywhere_costs_a_connection_and_loses_nothing(
    server: Start, before: tuple[bytes, ...]
) -> None:
    # RFC 5321, 3.8: 421 closes the connection, whatever it was about.
    script, transport = server(*before, b"421 down\r\n", b"", OK, TAKE, GO_ON, TAKEN)
    with transport.session():
        with pytest.raises(DeliveryDeferred, match="421 down"):
            transport.send(mail("first"))
        del script.words[: script.words.index(OK)]
        assert transport.send(mail("second")) == "250 taken"
    assert script.sessions == 2


@pytest.mark.enable_socket
def test_a_kept_session_that_died_meanwhile_is_replaced_before_any_content_went(server: Start) -> None:
    script, transport = server(OK, TAKE, GO_ON, TAKEN, b"", OK, TAKE, GO_ON, TAKEN)
    with transport.session():
        transport.send(mail("first"))
        assert transport.send(mail("second")) == "250 taken"
    assert script.sessions == 2
    assert script.heard.count(GROUP % b"second") == 2
    assert sum(chunk.endswith(b"\r\n.\r\n") for chunk in script.heard) == 2


@pytest.mark.enable_socket
def test_no_address_can_bring_a_command_of_its_own(server: Start) -> None:
    script, transport = server()
    with transport.session(), pytest.raises(DeliveryDeferred, match="do not belong"):
        transport.send(Mail("sam@example.org>\r\nRCPT TO:<eve@example.org", CONTENT))
    assert script.heard == [b"quit\r\n"]
