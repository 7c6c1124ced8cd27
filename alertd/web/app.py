"""The application: a GET shows what a link is for, only a POST does it.

Mail scanners open every link of a mail, so opening one must change nothing. The signed link is the only
authority: there are no cookies, so no page elsewhere can borrow a visitor's rights.
"""

from __future__ import annotations

import datetime as dt
import hmac
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import parse_qsl

import structlog
from fastapi import Depends, FastAPI, HTTPException, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse
from starlette.exceptions import HTTPException as StarletteHTTPException

from alertd.errors import InputError, StoreBusy
from alertd.service.bounces import REPORT_BYTES_MAX, Bounces
from alertd.service.links import Purpose
from alertd.web.guard import Guarded
from alertd.web.limits import Limiter
from alertd.web.pages import Page, render_page
from alertd.web.reader import Reader, Refusal

FORM_BYTES_MAX = 4096
BOUNCES_PATH = "/bounces"
ACTS_PER_MINUTE = 12.0
ACTS_BURST = 12
TITLES = {404: "There is no such page", 405: "This page cannot do that", 413: "That is too much"}

log = structlog.get_logger("alertd.web")


@dataclass(frozen=True, slots=True)
class WebParts:
    """What the pages work with. Without ``bounce_secret`` there is no door for returned mail."""

    reader: Reader
    https: bool = True
    bounces: Bounces | None = None
    bounce_secret: str = ""


async def _form(request: Request) -> dict[str, str]:
    """Return a small form; of another kind of body nothing is needed, since the link says it all."""
    body = await _body(request, FORM_BYTES_MAX)
    if not request.headers.get("content-type", "").startswith("application/x-www-form-urlencoded"):
        return {}
    return dict(parse_qsl(body.decode("utf-8", "replace"), max_num_fields=10))


async def _body(request: Request, bytes_max: int) -> bytes:
    """Return the body. Raises HTTPException 413 before more than that is held in memory."""
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > bytes_max:
            raise HTTPException(413)
    return body


async def _mail(request: Request) -> bytes:
    return await _body(request, REPORT_BYTES_MAX)


Form = Annotated[dict[str, str], Depends(_form)]
Mail = Annotated[bytes, Depends(_mail)]


def create_app(parts: WebParts, now: Callable[[], dt.datetime]) -> FastAPI:
    """Return the application over these parts."""
    # No description of the interface is served: it has no callers but its own pages.
    app = FastAPI(openapi_url=None, docs_url=None, redoc_url=None, redirect_slashes=False)
    app.add_middleware(Guarded, now=now, https=parts.https)
    for purpose in Purpose:
        _add_link(app, purpose, parts.reader, Limiter(ACTS_PER_MINUTE, ACTS_BURST), now)
    if parts.bounces is not None and parts.bounce_secret:
        _add_bounces(app, parts.bounces, parts.bounce_secret, now)
    app.add_exception_handler(StarletteHTTPException, _on_http)
    app.add_exception_handler(InputError, _on_input)
    app.add_exception_handler(StoreBusy, _on_busy)
    return app


def _add_link(
    app: FastAPI, purpose: Purpose, reader: Reader, limiter: Limiter, now: Callable[[], dt.datetime]
) -> None:
    path = f"/{purpose}/{{token}}"

    def show(token: str) -> Response:
        return _answer(reader.show(purpose, token, now()))

    def act(token: str, form: Form) -> Response:
        at = now()
        wait_s = limiter.wait_s(token[:200], at.timestamp())
        if wait_s > 0.0:
            raise HTTPException(429, headers={"Retry-After": str(int(wait_s) + 1)})
        return _answer(reader.act(purpose, token, form, at))

    app.add_api_route(path, show, methods=["GET", "HEAD"], name=f"show {purpose}")
    app.add_api_route(path, act, methods=["POST"], name=f"act {purpose}")


def _add_bounces(app: FastAPI, bounces: Bounces, secret: str, now: Callable[[], dt.datetime]) -> None:
    def authorised(request: Request) -> None:
        given = request.headers.get("authorization", "").encode()
        if not any(hmac.compare_digest(given, f"Bearer {key}".encode()) for key in secret.split()):
            raise HTTPException(401, headers={"WWW-Authenticate": "Bearer"})

    def take(mail: Mail) -> Response:
        outcome = bounces.take(mail, now())
        # What is put aside is not kept here: the sender still has it and learns why.
        status = 422 if outcome.is_aside else 200
        return JSONResponse({"outcome": outcome.value}, status_code=status)

    # The secret is looked at before the body is.
    app.add_api_route(
        BOUNCES_PATH, take, methods=["POST"], name="act bounces", dependencies=[Depends(authorised)]
    )


def _answer(answer: Page | Refusal) -> Response:
    if isinstance(answer, Refusal):
        return HTMLResponse(render_page(answer.page), status_code=answer.status)
    return HTMLResponse(render_page(answer))


def _page(status: int, page: Page, headers: dict[str, str] | None = None) -> Response:
    return HTMLResponse(render_page(page), status_code=status, headers=headers)


def _on_http(request: Request, error: Exception) -> Response:
    assert isinstance(error, StarletteHTTPException)  # noqa: S101  # registered for nothing else
    if request.url.path == BOUNCES_PATH:
        problem = {"status": error.status_code, "title": error.detail}  # RFC 9457
        return JSONResponse(problem, error.status_code, error.headers, "application/problem+json")
    page = Page(TITLES.get(error.status_code, "This cannot be done"), ("Please look at the link again.",))
    if error.status_code == 429:
        page = Page("Too many requests", ("Please try again in a minute.",))
    return _page(error.status_code, page, dict(error.headers or {}))


def _on_input(_request: Request, error: Exception) -> Response:
    # What was wrong may name ids; it goes into the log, not onto the page.
    log.info("web-refused", reason=str(error))
    return _page(400, Page("This cannot be done", ("Please open the link in the newest mail.",)))


def _on_busy(_request: Request, _error: Exception) -> Response:
    page = Page("Please try again", ("Nothing was changed. Try again in a minute.",))
    return _page(503, page, {"Retry-After": "30"})
