"""What holds for every request, whatever it asks for: limits on the way in, headers on the way out."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Sequence

import structlog
from starlette.datastructures import MutableHeaders
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from alertd.web.limits import Limiter, visitor_key
from alertd.web.pages import Page, content_policy, render_page

VISITS_PER_MINUTE = 120.0
VISITS_BURST = 60
YEAR_S = 365 * 24 * 3600
FAULT = Page("Something went wrong here", ("Nothing more was done. Please try again later.",))

log = structlog.get_logger("alertd.web")


def security_headers(https: bool) -> dict[str, str]:
    """Return the headers of every answer (OWASP ASVS 5.0, V3.4 and V14.3.2)."""
    headers = {
        "Content-Security-Policy": content_policy(),
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "no-referrer",  # the link is the key: it must not travel on
        "Cache-Control": "no-store",
        "X-Robots-Tag": "noindex, nofollow",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    }
    if https:
        headers["Strict-Transport-Security"] = f"max-age={YEAR_S}"
    return headers


class Guarded:
    """Wraps the application: no visitor comes too often, no answer leaves without its headers."""

    def __init__(self, app: ASGIApp, now: Callable[[], dt.datetime], https: bool) -> None:
        self._app = app
        self._now = now
        self._headers = security_headers(https)
        self._limiter = Limiter(VISITS_PER_MINUTE, VISITS_BURST)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        answer = _Answer(send, self._headers)
        client = scope.get("client")
        wait_s = self._limiter.wait_s(visitor_key(client[0] if client else ""), self._now().timestamp())
        if wait_s > 0.0:
            await _refuse(answer.send, math.ceil(wait_s))
            return
        try:
            await self._app(scope, receive, answer.send)
        except ClientDisconnect:
            log.debug("web-visitor-gone")
        except Exception:
            # The last resort: whatever it was, it stays in the log, and the page tells nothing of it.
            log.exception("web-fault", method=scope["method"])
            if not answer.begun:
                await _send_page(answer.send, 500, FAULT)


class _Answer:
    """Sends what the application sends, with the headers that every answer carries."""

    def __init__(self, send: Send, headers: dict[str, str]) -> None:
        self._send = send
        self._headers = headers
        self.begun = False

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.begun = True
            headers = MutableHeaders(scope=message)
            for name, value in self._headers.items():
                headers[name] = value
        await self._send(message)


async def _refuse(send: Send, wait_s: int) -> None:
    page = Page("Too many requests", (f"Please try again in {wait_s} seconds.",))
    await _send_page(send, 429, page, [(b"retry-after", str(wait_s).encode())])


async def _send_page(
    send: Send, status: int, page: Page, headers: Sequence[tuple[bytes, bytes]] = ()
) -> None:
    body = render_page(page).encode()
    common = [(b"content-type", b"text/html; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": [*common, *headers]})
    await send({"type": "http.response.body", "body": body})
