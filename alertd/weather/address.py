"""The address a provider is asked at, and the contact it is told: checked before anything is sent."""

from __future__ import annotations

import ipaddress
import re
from urllib.parse import urlsplit

from alertd.errors import ConfigError

_PLACEHOLDERS = re.compile(
    r"(?i)\bexample\b|\.invalid\b|\.test\b|\blocalhost\b|change-?me|your[-_ ]?(name|mail|email|domain|site)"
)


def checked_base_url(url: str, provider: str) -> str:
    """Return the base address without a trailing slash. Raises ConfigError naming the fix."""
    parts = urlsplit(url)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise ConfigError(f"{provider}: base address {url!r}; write it like https://host/path")
    if parts.query or parts.fragment or parts.username or parts.password:
        raise ConfigError(f"{provider}: keep keys and queries out of the base address")
    if parts.scheme == "http" and not is_loopback(url):
        raise ConfigError(f"{provider}: base address {url!r} is not encrypted; use https")
    return url.rstrip("/")


def is_loopback(url: str) -> bool:
    """Return whether the address is one of this machine."""
    host = urlsplit(url).hostname or ""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def checked_contact(contact: str, provider: str) -> str:
    """Return the contact. Raises ConfigError for a missing, unprintable or placeholder one."""
    usable = contact.isascii() and contact.isprintable() and ("@" in contact or "://" in contact)
    if not usable or _PLACEHOLDERS.search(contact):
        raise ConfigError(
            f"{provider}: contact {contact!r} is missing or a placeholder; the provider blocks unnamed "
            "programs, so set an email address or web page you answer at"
        )
    return contact
