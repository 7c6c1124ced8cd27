"""How often one visitor, or the holder of one link, may come."""

from __future__ import annotations

import ipaddress
import threading
from collections import OrderedDict
from dataclasses import dataclass

VISITORS_MAX = 20_000


@dataclass(slots=True)
class _Bucket:
    left: float
    at_s: float


class Limiter:
    """A bucket of ``burst`` requests a key, filled again at ``per_minute``; safe between threads.

    It remembers a bounded number of keys and forgets the ones it has not seen for longest.
    """

    def __init__(self, per_minute: float, burst: int, keys_max: int = VISITORS_MAX) -> None:
        self._per_s = per_minute / 60.0
        self._burst = float(burst)
        self._keys_max = keys_max
        self._buckets: OrderedDict[str, _Bucket] = OrderedDict()
        self._lock = threading.Lock()

    def wait_s(self, key: str, now_s: float) -> float:
        """Take one request out of the bucket: 0 if it may go on, else the seconds until it may."""
        with self._lock:
            bucket = self._buckets.pop(key, None) or _Bucket(self._burst, now_s)
            self._buckets[key] = bucket
            if len(self._buckets) > self._keys_max:
                self._buckets.popitem(last=False)
            gained = max(0.0, now_s - bucket.at_s) * self._per_s
            bucket.left = min(self._burst, bucket.left + gained)
            bucket.at_s = now_s
            if bucket.left < 1.0:
                return (1.0 - bucket.left) / self._per_s
            bucket.left -= 1.0
            return 0.0


def visitor_key(address: str) -> str:
    """Return what counts as one visitor: an IPv4 address, or the /64 that one IPv6 line is given."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return "unknown"
    if found.version == 6:
        mapped = found.ipv4_mapped
        return str(mapped or ipaddress.ip_network((int(found), 64), strict=False).network_address)
    return str(found)
