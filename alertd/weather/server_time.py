"""What time a server says it is: a second opinion on this machine's clock."""

from __future__ import annotations

import datetime as dt
import email.utils

import requests

from alertd.weather.address import is_loopback

TIMEOUT_S = (5.0, 10.0)


def fetch_server_time(base_url: str, user_agent: str) -> dt.datetime | None:
    """Return the Date header of any answer of the server, None if there is none."""
    with requests.Session() as session:
        session.trust_env = not is_loopback(base_url)
        try:
            answer = session.head(
                base_url, timeout=TIMEOUT_S, headers={"User-Agent": user_agent}, allow_redirects=False
            )
            found = email.utils.parsedate_to_datetime(answer.headers.get("Date", ""))
        except (requests.RequestException, ValueError, TypeError):
            return None
    return found if found.tzinfo else found.replace(tzinfo=dt.UTC)
