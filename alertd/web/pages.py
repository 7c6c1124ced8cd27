"""What a reader sees: pure functions from facts to pages, everything inside one document."""

from __future__ import annotations

import base64
import datetime as dt
import functools
import hashlib
from dataclasses import dataclass, field

import jinja2

from alertd.delivery.palette import DARK, LIGHT
from alertd.delivery.render import templates_folder


@dataclass(frozen=True, slots=True)
class Button:
    """Something a reader can do: where it posts to (nowhere else than this page, if empty) and with what."""

    words: str
    to: str = ""
    name: str = ""
    value: str = ""
    main: bool = True


@dataclass(frozen=True, slots=True)
class DayField:
    """A day that a reader may choose."""

    name: str
    words: str
    first: dt.date
    last: dt.date


@dataclass(frozen=True, slots=True)
class Page:
    """One heading, some sentences, some buttons."""

    heading: str
    sentences: tuple[str, ...] = ()
    buttons: tuple[Button, ...] = ()
    day: DayField | None = field(default=None)


@functools.cache
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(templates_folder()),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )


@functools.cache
def style() -> str:
    """Return the style sheet, which stands inside every page."""
    return _environment().get_template("web/style.css.j2").render(light=LIGHT, dark=DARK).strip()


@functools.cache
def content_policy() -> str:
    """Return the Content-Security-Policy: this one style sheet, forms to ourselves, and nothing else."""
    digest = base64.b64encode(hashlib.sha256(style().encode()).digest()).decode("ascii")
    return (
        f"default-src 'none'; style-src 'sha256-{digest}'; form-action 'self'; base-uri 'none'; "
        "object-src 'none'; frame-ancestors 'none'"
    )


def render_page(page: Page) -> str:
    """Return the page as HTML; whatever people have typed is escaped."""
    return _environment().get_template("web/page.html.j2").render(page=page, style=style())


def long_day(day: dt.date) -> str:
    """Return a day as people say it."""
    return f"{day:%A} {day.day} {day:%B}"
