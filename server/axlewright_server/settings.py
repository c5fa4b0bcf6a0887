"""What the office is told at its start: a TOML file, overruled by the command line."""

from __future__ import annotations

import ipaddress
import os
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import unquote, urlsplit

import msgspec
from msgspec import Meta, Struct

from axlewright_models.file_errors import readable
from axlewright_server.errors import SettingsError

Port = Annotated[int, Meta(ge=1, le=65535)]
Positive = Annotated[float, Meta(gt=0)]
PASSWORD_VARIABLE = "AXLEWRIGHT_BROKER_PASSWORD"


class _Part(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A table of the file: unknown keys are errors."""


class PageSettings(_Part, frozen=True, kw_only=True):
    """Where the page and the API listen."""

    host: str = "127.0.0.1"
    port: Port = 8642


class BrokerSettings(_Part, frozen=True, kw_only=True):
    """The MQTT broker: an embedded one on loopback, or any other by its URL.

    ``url``: ``mqtt://host:1883`` or ``mqtts://host:8883`` (TLS); user and password may stand in it. The password
    is better kept out of sight: in ``password_file`` or in the environment variable AXLEWRIGHT_BROKER_PASSWORD.
    """

    url: str = ""
    embedded_port: Port = 18642
    user: str = ""
    password_file: str = ""
    ca_file: str = ""
    certificate_file: str = ""
    key_file: str = ""

    @property
    def embedded(self) -> bool:
        """Return whether the office runs its own broker."""
        return not self.url

    @property
    def tls(self) -> bool:
        """Return whether the connection is encrypted."""
        return self.url.startswith("mqtts://")

    @property
    def host(self) -> str:
        """Return where the broker is."""
        return "127.0.0.1" if self.embedded else urlsplit(self.url).hostname or ""

    @property
    def port(self) -> int:
        """Return the broker's port."""
        return self.embedded_port if self.embedded else urlsplit(self.url).port or (8883 if self.tls else 1883)

    @property
    def address(self) -> str:
        """Return host and port, for messages."""
        return f"{self.host}:{self.port}"

    def read_password(self) -> str | None:
        """Return the password, from the file, the environment or the URL, in this order; None without one."""
        if self.password_file:
            try:
                return Path(self.password_file).read_text(encoding="utf-8").rstrip("\r\n")
            except (OSError, UnicodeDecodeError) as error:
                raise SettingsError(f"broker.password_file: {self.password_file} cannot be read: {error}") from error
        if PASSWORD_VARIABLE in os.environ:
            return os.environ[PASSWORD_VARIABLE]
        password = urlsplit(self.url).password
        return None if password is None else unquote(password)

    @property
    def credentials(self) -> bool:
        """Return whether the office proves to the broker who it is."""
        return bool((self.user and self.read_password()) or (self.tls and self.certificate_file))


class IngestSettings(_Part, frozen=True, kw_only=True):
    """How frames are taken in."""

    batch_frames: Annotated[int, Meta(ge=1, le=5000)] = 2000
    batch_wait_s: Annotated[float, Meta(ge=0, le=2)] = 0.1
    queue_frames: Annotated[int, Meta(ge=100)] = 20_000
    queue_mebibytes: Annotated[float, Meta(ge=1)] = 64.0
    hold_s: Positive = 30.0
    hold_frames: Annotated[int, Meta(ge=1, le=10_000)] = 64


class RetentionSettings(_Part, frozen=True, kw_only=True):
    """How many days things are kept. Advisories and their changes are kept for good."""

    readings_days: Positive = 400.0
    hourly_days: Positive = 1200.0
    daily_days: Positive = 3650.0
    symptoms_days: Positive = 1200.0
    quarantine_days: Positive = 90.0


class Settings(_Part, frozen=True, kw_only=True):
    """Everything.

    ``fleet``: the fleet file; ``data``: the folder of the store; ``knowledge``: causes and evidence, "" = the packaged;
    ``fleet_prior``: what sister axles read (``axlewright fleet-prior``), "" = none.
    """

    fleet: str = ""
    data: str = "axlewright-data"
    knowledge: str = ""
    fleet_prior: str = ""
    page: PageSettings = PageSettings()
    broker: BrokerSettings = BrokerSettings()
    ingest: IngestSettings = IngestSettings()
    retention: RetentionSettings = RetentionSettings()


def load_settings(path: str | Path | None, **flags: object) -> Settings:
    """Return the settings of a file (none: the defaults), with flags over them.

    Parameters
    ----------
    path : path of a TOML file, or None
    flags : values by dotted key with "_" for ".", None = not given, e.g. ``page_port=8080``

    Raises
    ------
    SettingsError
        The file cannot be read, or a key is unknown or wrong; the text holds its path.

    Examples
    --------
    >>> load_settings(None, page_port=8080).page.port
    8080
    """
    table: dict[str, Any] = {}
    if path is not None:
        try:
            table = msgspec.toml.decode(Path(path).read_bytes())
        except (OSError, msgspec.DecodeError) as error:
            raise SettingsError(f"{path}: cannot be read as settings: {error}") from error
        _resolve_paths(table, Path(path).resolve().parent)
    for flag, value in flags.items():
        if value is not None:
            _overlay(table, flag, value)
    return parse_settings(table, str(path or "command line"))


_GROUPS = ("page", "broker", "ingest", "retention")
_PATHS = (
    ("fleet",),
    ("data",),
    ("knowledge",),
    ("fleet_prior",),
    *(("broker", key) for key in ("password_file", "ca_file", "certificate_file", "key_file")),
)


def _overlay(table: dict[str, Any], flag: str, value: object) -> None:
    group, _, key = flag.partition("_")
    if group in _GROUPS:
        inner = table.setdefault(group, {})
        if isinstance(inner, dict):
            inner[key] = value
    else:
        table[flag] = value


def _resolve_paths(table: dict[str, Any], folder: Path) -> None:
    # Paths in the file are meant from where the file lies, not from where the office happens to be started.
    for keys in _PATHS:
        inner: Any = table
        for key in keys[:-1]:
            inner = inner.get(key, {})
        if isinstance(inner, dict) and isinstance(inner.get(keys[-1]), str) and inner[keys[-1]]:
            inner[keys[-1]] = str(folder / inner[keys[-1]])


def parse_settings(table: dict[str, Any], where: str) -> Settings:
    """Return the settings that a table describes; `where` names it in errors."""
    try:
        settings = msgspec.convert(table, Settings)
    except msgspec.ValidationError as error:
        raise SettingsError(f"{where}: {readable(str(error), Settings)}") from error
    return _with_url_parts(settings, where)


def _with_url_parts(settings: Settings, where: str) -> Settings:
    broker = settings.broker
    if broker.embedded:
        if broker.embedded_port == settings.page.port:
            raise SettingsError(
                f"{where}: page.port and broker.embedded_port are both {settings.page.port}; choose another for one "
                "(--page-port, --broker-port)"
            )
        return settings
    try:
        parts = urlsplit(broker.url)
        usable = parts.scheme in {"mqtt", "mqtts"} and parts.hostname and (parts.port or True)
    except ValueError:
        usable = False
    if not usable:
        raise SettingsError(f"{where}: broker.url is {broker.url!r}; write mqtt://host:1883 or mqtts://host:8883")
    if bool(broker.certificate_file) != bool(broker.key_file):
        raise SettingsError(f"{where}: broker.certificate_file and broker.key_file belong together; give both")
    if (broker.ca_file or broker.certificate_file) and not broker.tls:
        raise SettingsError(f"{where}: TLS files are given but broker.url is {broker.url!r}; write mqtts://")
    if not broker.user and parts.username:
        broker = msgspec.structs.replace(broker, user=unquote(parts.username))
    return msgspec.structs.replace(settings, broker=broker)


def is_loopback(host: str) -> bool:
    """Return whether only this machine can reach an address.

    Examples
    --------
    >>> is_loopback("127.0.0.1"), is_loopback("::1"), is_loopback("localhost"), is_loopback("0.0.0.0")
    (True, True, True, False)
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def check_exposure(settings: Settings, accounts_exist: bool) -> None:
    """Refuse to be reachable from elsewhere without accounts and MQTT credentials.

    Raises
    ------
    SettingsError
        The page would listen beyond this machine and something is missing; the text says what.
    """
    if is_loopback(settings.page.host):
        return
    missing = []
    if not accounts_exist:
        missing.append(f"there is no user account (make one: axlewright add-user NAME --data {settings.data})")
    if settings.broker.embedded:
        missing.append("the embedded broker knows no credentials (use mosquitto: axlewright broker-config)")
    elif not settings.broker.credentials:
        missing.append("no MQTT credentials are given (broker.user with broker.password_file, or a client certificate)")
    if missing:
        raise SettingsError(
            f"page.host is {settings.page.host}, which other machines can reach, but {'; and '.join(missing)}. "
            "Or listen on 127.0.0.1."
        )
