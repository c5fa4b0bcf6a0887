"""The broker's address, parsed in one place."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlsplit

from axlewright_edge.errors import LinkError

_PORTS = {"mqtt": 1883, "mqtts": 8883}


@dataclass(frozen=True)
class Address:
    """Host, port and whether the line is encrypted."""

    host: str
    port: int
    tls: bool


def parse_address(url: str) -> Address:
    """Return the address that a URL names.

    Raises
    ------
    LinkError
        It is none of ours; the text says what is wrong.

    Examples
    --------
    >>> parse_address("mqtts://office.example")
    Address(host='office.example', port=8883, tls=True)
    >>> parse_address("http://office.example")
    Traceback (most recent call last):
    ...
    axlewright_edge.errors.LinkError: 'http://office.example' does not begin with mqtt:// or mqtts://
    """
    parts = urlsplit(url)
    if parts.scheme not in _PORTS:
        raise LinkError(f"{url!r} does not begin with mqtt:// or mqtts://")
    if parts.username is not None or parts.password is not None:
        # The URL is printed in logs and tables; a password in it would be too.
        raise LinkError("the URL holds a user; give user and password_file as keys (or options) of their own")
    if not parts.hostname or parts.path not in ("", "/") or parts.query or parts.fragment:
        raise LinkError(f"{url!r} is not mqtt://HOST:PORT")
    try:
        port = parts.port
    except ValueError as error:
        raise LinkError(f"{url!r}: {error}") from error
    if port == 0:
        raise LinkError(f"{url!r}: port is 0; use 1 to 65535")
    return Address(parts.hostname, port if port is not None else _PORTS[parts.scheme], parts.scheme == "mqtts")
