"""The body of an answer: whole JSON, or the reason it gives for being something else."""

from __future__ import annotations

import json
import re
from typing import NoReturn

from alertd.errors import WeatherInvalid


def parse_json(body: bytes, provider: str) -> object:
    """Return the JSON document. Raises WeatherInvalid for anything RFC 8259 does not allow."""

    def refuse(text: str) -> NoReturn:
        raise ValueError(f"{text} is not JSON")

    if not body.strip():
        raise WeatherInvalid(f"{provider}: the answer is empty; it will be asked again next cycle")
    try:
        document: object = json.loads(body, parse_constant=refuse)
    except (ValueError, RecursionError) as error:
        reason = " ".join(str(error).split())[:120]
        raise WeatherInvalid(
            f"{provider}: the answer is not whole JSON ({reason}); no data here or cut off on the way"
        ) from error
    return document


def reason_of(body: bytes) -> str:
    """Return the human part of an error body, short and printable."""
    try:
        document = json.loads(body)
    except (ValueError, RecursionError):
        document = None
    if isinstance(document, dict):
        for key in ("reason", "detail", "title", "message"):
            if isinstance(document.get(key), str):
                return one_line(document[key])
    return one_line(re.sub(r"<[^>]*>", " ", body[:4000].decode("utf-8", "replace")))


def one_line(text: str) -> str:
    """Return the text in one printable line of at most 200 characters."""
    return "".join(c for c in " ".join(text.split()) if c.isprintable())[:200]
