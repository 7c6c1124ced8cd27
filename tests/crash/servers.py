"""Small, fast loopback receivers that can also refuse, hang, hang up after the message, or answer late."""

from __future__ import annotations

import asyncio
import json
import re
import ssl
import threading
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

Streams = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]
Behaviour = Callable[[], str]
"""One of: ok, refuse (4yz or 503), drop (takes the message, then hangs up), late, hang."""

HANG_S = 3.0
LATE_S = 0.05
_ID = re.compile(rb"^Message-ID:\s*<([^@>]+)@", re.MULTILINE | re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Copy:
    """One copy of one message that reached its reader; ``act`` is how the receiver then behaved."""

    reader: str
    message_id: str
    alert_id: str
    body: bytes = b""
    act: str = "ok"


@dataclass
class Receiver:
    """An asyncio server on a loopback port, in a thread of its own."""

    behave: Behaviour = lambda: "ok"
    keep: bool = True
    tls: ssl.SSLContext | None = None
    gone: str = "gone@"
    copies: list[Copy] = field(default_factory=list)
    count: int = 0
    sessions: int = 0
    port: int = 0

    def __enter__(self) -> Self:
        ready = threading.Event()
        self._loop = asyncio.new_event_loop()

        def serve() -> None:
            asyncio.set_event_loop(self._loop)
            start = asyncio.start_server(self._guarded, "127.0.0.1", 0, limit=1 << 24, backlog=512)
            self._server = self._loop.run_until_complete(start)
            self.port = self._server.sockets[0].getsockname()[1]
            ready.set()
            self._loop.run_forever()
            for task in asyncio.all_tasks(self._loop):
                task.cancel()
            self._loop.run_until_complete(asyncio.sleep(0))
            self._loop.run_until_complete(self._loop.shutdown_asyncgens())
            self._loop.close()

        self._thread = threading.Thread(target=serve, daemon=True)
        self._thread.start()
        ready.wait(10)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._loop.call_soon_threadsafe(self._server.close)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)

    def take(self, copy: Copy) -> None:
        self.count += 1
        if self.keep:
            self.copies.append(copy)

    async def _guarded(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.sessions += 1
        try:
            await self.serve(reader, writer)
        except (asyncio.IncompleteReadError, ConnectionError, TimeoutError, asyncio.CancelledError):
            pass
        finally:
            writer.transport.abort() if self._loop.is_closed() else writer.close()

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        raise NotImplementedError

    async def dwell(self, act: str) -> bool:
        """Wait as the behaviour asks; returns whether to answer at all."""
        if act == "late":
            await asyncio.sleep(LATE_S)
        if act == "hang":
            await asyncio.sleep(HANG_S)
        return act not in {"drop", "hang"}


class Mail(Receiver):
    """Takes mail; a recipient that begins with ``gone`` is refused for good."""

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        write = writer.write
        write(b"220 sink.invalid ESMTP\r\n")
        recipient = ""
        while line := await reader.readline():
            verb = line[:4].upper()
            if verb == b"DATA" and not recipient:
                write(b"554 5.5.1 no valid recipients\r\n")
            elif verb == b"DATA":
                write(b"354 go on\r\n")
                content = await reader.readuntil(b"\r\n.\r\n")
                if not await self._content(content, recipient, write):
                    return
                recipient = ""
            elif verb == b"RCPT":
                recipient = line.decode().partition("<")[2].partition(">")[0]
                if recipient.startswith(self.gone):
                    recipient = ""
                write(b"250 ok\r\n" if recipient else b"550 5.1.1 no such user\r\n")
            elif verb == b"EHLO":
                offer = b"250-STARTTLS\r\n" if self.tls and not writer.get_extra_info("sslcontext") else b""
                write(b"250-sink.invalid\r\n250-PIPELINING\r\n" + offer + b"250 8BITMIME\r\n")
            elif verb == b"STAR" and self.tls is not None:
                write(b"220 go on\r\n")
                await writer.drain()
                await writer.start_tls(self.tls)
            elif verb == b"QUIT":
                write(b"221 bye\r\n")
                return
            else:
                write(b"250 ok\r\n")

    async def _content(self, content: bytes, recipient: str, write: Callable[[bytes], None]) -> bool:
        act = self.behave()
        if act == "refuse":
            write(b"451 4.3.0 later\r\n")
            return True
        if self.keep:
            named = _ID.search(content)
            assert named is not None
            self.take(Copy(recipient, named[1].decode(), "", content, act))
        else:
            self.count += 1
        if not await self.dwell(act):
            return False
        write(b"250 taken\r\n")
        return True


class Hook(Receiver):
    """Takes webhooks."""

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            head = await reader.readuntil(b"\r\n\r\n")
            lines = head.decode("latin-1").split("\r\n")
            headers = {
                name.lower(): value.strip() for name, _, value in (one.partition(":") for one in lines)
            }
            body = await reader.readexactly(int(headers.get("content-length", "0")))
            act = self.behave()
            if act == "refuse":
                writer.write(b"HTTP/1.1 503 busy\r\nRetry-After: 2\r\nContent-Length: 0\r\n\r\n")
                continue
            if self.keep:
                path = lines[0].split()[1]
                about = json.loads(body).get("data", {}).get("alert_id", "")
                self.take(Copy(path.strip("/"), headers["webhook-id"], about, body, act))
            else:
                self.count += 1
            if not await self.dwell(act):
                return
            writer.write(b"HTTP/1.1 204 taken\r\nContent-Length: 0\r\n\r\n")
