"""TOML, environment and secret files into one frozen settings object, read once."""

from alertd.settings.reading import config_directory, data_directory, load_settings
from alertd.settings.sections import (
    DaemonSettings,
    DatabaseSettings,
    LogSettings,
    MetnoSettings,
    NwsSettings,
    OpenMeteoSettings,
    ProviderName,
    Settings,
    SmtpSettings,
    Tls,
    WeatherSettings,
    WebhookSettings,
    WebSettings,
    is_placeholder,
    secret_keys,
    setting_keys,
)

__all__ = [
    "DaemonSettings",
    "DatabaseSettings",
    "LogSettings",
    "MetnoSettings",
    "NwsSettings",
    "OpenMeteoSettings",
    "ProviderName",
    "Settings",
    "SmtpSettings",
    "Tls",
    "WeatherSettings",
    "WebSettings",
    "WebhookSettings",
    "config_directory",
    "data_directory",
    "is_placeholder",
    "load_settings",
    "secret_keys",
    "setting_keys",
]
