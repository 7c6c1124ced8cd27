"""A real mail server on loopback that keeps each message as .eml and as a page to open in a browser."""

from __future__ import annotations

import asyncio
import base64
import re
import threading
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from aiosmtpd.smtp import SMTP


class MailSink:
    """Context manager: listens on a free loopback port, writes what arrives to ``folder``."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.count = 0
        self.port = 0
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="mail-sink", daemon=True)

    def __enter__(self) -> Self:
        self.folder.mkdir(parents=True, exist_ok=True)
        self._thread.start()
        # aiosmtpd's own controller cannot listen on a port of the system's choice.
        starting = self._loop.create_server(lambda: SMTP(self, loop=self._loop), "127.0.0.1", 0)
        self._server = asyncio.run_coroutine_threadsafe(starting, self._loop).result(10.0)
        self.port = int(self._server.sockets[0].getsockname()[1])
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._loop.call_soon_threadsafe(self._server.close)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10.0)
        self._loop.close()

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802  # aiosmtpd's name
        """Keep one message."""
        raw = envelope.content if isinstance(envelope.content, bytes) else str(envelope.content).encode()
        message = message_from_bytes(raw, policy=policy.default)
        self.count += 1
        stem = f"{self.count:03d}-{_slug(str(message['Subject']))}"
        (self.folder / f"{stem}.eml").write_bytes(raw)
        page = page_of(message)
        if page:
            (self.folder / f"{stem}.html").write_text(page, encoding="utf-8")
        return "250 kept"


def page_of(message: EmailMessage) -> str:
    """Return the HTML part with its inline pictures put in place, or nothing if there is none."""
    body = message.get_body(preferencelist=("html",))
    if body is None:
        return ""
    page = str(body.get_content())
    for part in message.walk():
        name = str(part.get("Content-ID", "")).strip("<>")
        if name and part.get_content_maintype() == "image":
            picture = base64.b64encode(part.get_payload(decode=True)).decode()  # type: ignore[arg-type]  # an image is bytes
            page = page.replace(f"cid:{name}", f"data:{part.get_content_type()};base64,{picture}")
    return page


def _slug(subject: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", subject.lower()).strip("-")[:60] or "message"
