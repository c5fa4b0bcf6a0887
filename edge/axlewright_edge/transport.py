"""TLS for the link: which authority is believed, and the truck's own certificate."""

from __future__ import annotations

import ssl
from pathlib import Path

import paho.mqtt.client as mqtt

from axlewright_edge.config import BrokerSettings
from axlewright_edge.errors import LinkError


def secure(client: mqtt.Client, settings: BrokerSettings) -> None:
    """Make the client speak TLS when the address asks for it.

    Raises
    ------
    LinkError
        A file is missing or is no certificate or key; the text names the key of the agent file.
    """
    if settings.address.tls:
        client.tls_set_context(tls_context(settings))


def tls_context(settings: BrokerSettings) -> ssl.SSLContext:
    """Return the context: TLS 1.2 at least, host names checked, the system's authorities unless one is named.

    Raises
    ------
    LinkError
        A file is missing or is no certificate or key; the text names the key of the agent file.
    """
    files = {
        "broker.authority_file": settings.authority_file,
        "broker.certificate_file": settings.certificate_file,
        "broker.key_file": settings.key_file,
    }
    for key, name in files.items():
        if name and not Path(name).is_file():
            raise LinkError(f"{key}: {name} is no file")
    try:
        context = ssl.create_default_context(cafile=settings.authority_file or None)
    except (ssl.SSLError, OSError) as error:
        raise LinkError(
            f"broker.authority_file: {settings.authority_file} holds no certificate (PEM): {error}"
        ) from error
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if settings.certificate_file:
        try:
            context.load_cert_chain(settings.certificate_file, settings.key_file)
        except (ssl.SSLError, OSError) as error:
            raise LinkError(
                f"broker.certificate_file: {settings.certificate_file} and {settings.key_file} are no pair: {error}"
            ) from error
    return context
