"""Every error alertd raises on purpose; the type says what to do next.

AlertdError
├── ConfigError              the operator must edit a setting; never retried
├── CatalogError             a catalog file is wrong; names file, key and fix
├── InputError               somebody typed something wrong; names the field and the fix
├── StoreError               the step was rolled back, nothing is half-written
│   ├── StoreBusy            another writer holds the database; try the same step again
│   ├── StoreConflict        another writer was first; read again and decide anew
│   ├── StoreUnusable        the database cannot be opened, is corrupt or read-only
│   └── SchemaMismatch       the database is older or newer than the program
├── WeatherError
│   ├── WeatherUnavailable   try again later or ask the next provider (``retry_after_s``)
│   ├── WeatherInvalid       the answer came but cannot be used; ask the next provider
│   └── WeatherRefused       the provider will not serve this request; an operator must look
└── DeliveryError
    ├── DeliveryDeferred     try the same message again later (``retry_after_s``)
    └── DeliveryRejected     this message will never get through
"""

from __future__ import annotations


class AlertdError(Exception):
    """Base of every error raised on purpose."""


class ConfigError(AlertdError):
    """A setting is missing or wrong."""


class CatalogError(AlertdError):
    """A catalog file holds something that cannot be used."""


class InputError(AlertdError):
    """A value given by a person is wrong; ``field`` names it."""

    def __init__(self, field: str, message: str) -> None:
        super().__init__(f"{field}: {message}")
        self.field = field
        self.message = message


class StoreError(AlertdError):
    """The database refused a step; nothing of it was kept."""


class StoreBusy(StoreError):
    """Another writer holds the database; the same step may be tried again."""


class StoreConflict(StoreError):
    """Another writer was first; what was decided here no longer fits."""


class StoreUnusable(StoreError):
    """The database cannot be opened, is corrupt or cannot be written."""


class SchemaMismatch(StoreError):
    """The database schema and the program do not fit each other."""


class WeatherError(AlertdError):
    """A provider gave no usable weather."""


class WeatherUnavailable(WeatherError):
    """A passing fault: try later or ask the next provider.

    ``faults`` holds (provider, reason) of every provider where several were asked.
    """

    def __init__(
        self,
        message: str,
        retry_after_s: float | None = None,
        faults: tuple[tuple[str, str], ...] = (),
    ) -> None:
        super().__init__(message)
        self.retry_after_s = retry_after_s
        self.faults = faults


class WeatherInvalid(WeatherError):
    """The provider answered with something that cannot be read as weather."""


class WeatherRefused(WeatherError):
    """The provider refuses this request for good: identification, key, plan or coverage.

    ``everywhere`` says that it would refuse any other place as well.
    """

    def __init__(self, message: str, everywhere: bool = False) -> None:
        super().__init__(message)
        self.everywhere = everywhere


class DeliveryError(AlertdError):
    """A message was not delivered."""


class DeliveryDeferred(DeliveryError):
    """Not delivered now; the same message may be tried again.

    ``unreachable`` says that no other message would have got through to that destination either.
    """

    def __init__(
        self, message: str, retry_after_s: float | None = None, *, unreachable: bool = False
    ) -> None:
        super().__init__(message)
        self.retry_after_s = retry_after_s
        self.unreachable = unreachable


class DeliveryRejected(DeliveryError):
    """Refused for good; trying again would not help.

    ``status`` is the mail server's enhanced status code (RFC 3463) where it spoke of recipient or content.
    """

    def __init__(self, message: str, status: str = "") -> None:
        super().__init__(message)
        self.status = status
