"""Write a mosquitto configuration for a fleet: TLS, one identity per truck, rights confined to its own subtree."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from axlewright_models.spec import FleetSpec
from axlewright_models.wire.topics import ROOT
from axlewright_server.errors import SettingsError, make_folder

OFFICE = "axlewright-office"


@dataclass(frozen=True)
class Options:
    """What the configuration depends on besides the fleet.

    `folder` is where the files will lie on the broker's machine. Without `tls` the listener stays on loopback.
    `passwords`: trucks prove who they are by password instead of client certificates.
    """

    folder: str = "/etc/mosquitto/axlewright"
    port: int = 8883
    host: str = ""
    tls: bool = True
    passwords: bool = False


def configuration(fleet: FleetSpec, options: Options) -> str:
    """Return the text of ``axlewright.conf``.

    The queue and in-flight limits matter: mosquitto's default queue silently drops what a slow office has not yet
    taken past 1,000 messages, and without ``set_tcp_nodelay`` a consumer is several times slower.
    """
    lines = [
        f"# mosquitto for the fleet {fleet.fleet} ({fleet.name.splitlines()[0] if fleet.name else ''}),",
        "# written by: axlewright broker-config",
        "per_listener_settings false",
        "allow_anonymous false",
        f"acl_file {options.folder}/axlewright.acl",
        "",
        "# Delivery",
        "set_tcp_nodelay true",
        "max_inflight_messages 1000",
        "max_queued_messages 100000",
        "max_packet_size 69632",
        "",
        "# What is retained or queued survives a restart. (autosave_on_changes would save the whole store each time.)",
        "persistence true",
        "persistence_location /var/lib/mosquitto/",
        "autosave_interval 1",
        "",
        *_listener(options),
    ]
    return "\n".join(lines) + "\n"


def _listener(options: Options) -> list[str]:
    host = f" {options.host}" if options.host else ""
    if not options.tls:
        return [
            "# Without TLS: for this machine alone.",
            f"listener {options.port} 127.0.0.1",
            f"password_file {options.folder}/passwords",
        ]
    lines = [
        f"listener {options.port}{host}",
        f"cafile {options.folder}/ca.crt",
        f"certfile {options.folder}/server.crt",
        f"keyfile {options.folder}/server.key",
        "tls_version tlsv1.2",
    ]
    if options.passwords:
        return [*lines, f"password_file {options.folder}/passwords"]
    return [
        *lines,
        "# The common name of each truck's certificate is its user name.",
        "require_certificate true",
        "use_identity_as_username true",
    ]


def access_rules(fleet: FleetSpec) -> str:
    """Return the text of ``axlewright.acl``: each truck writes and reads beneath its own name only.

    The pattern would do for trucks of any fleet; the rules are written out per truck so that a certificate of a
    truck that has left the fleet file opens nothing.
    """
    base = f"{ROOT}/{fleet.fleet}"
    lines = [
        "# The office reads what trucks send and writes what they read.",
        f"user {OFFICE}",
        f"topic read {base}/+/readings",
        f"topic read {base}/+/status",
        f"topic read {base}/+/burst/#",
        f"topic write {base}/+/ack",
        f"topic write {base}/+/command",
        f"topic readwrite {base}/+/advisory/#",
        f"topic readwrite {base}/+/limits",
    ]
    for vehicle in sorted(fleet.vehicles):
        own = f"{base}/{vehicle}"
        lines += [
            "",
            f"user {vehicle}",
            f"topic write {own}/readings",
            f"topic write {own}/status",
            f"topic write {own}/burst/#",
            f"topic read {own}/ack",
            f"topic read {own}/command",
            f"topic read {own}/advisory/#",
            f"topic read {own}/limits",
        ]
    return "\n".join(lines) + "\n"


def next_steps(fleet: FleetSpec, options: Options) -> str:
    """Return what is left to do by hand, as text for the terminal."""
    identities = f"{OFFICE} and one for each truck (user name = truck id, {len(fleet.vehicles)} of them)"
    if options.passwords or not options.tls:
        proof = f"passwords: mosquitto_passwd -c {options.folder}/passwords {OFFICE}, then one for each truck"
    else:
        proof = f"client certificates, common name = user name: {identities}"
    files = "" if not options.tls else f"  - put ca.crt, server.crt and server.key into {options.folder}\n"
    scheme = "mqtts" if options.tls else "mqtt"
    return (
        f"Next:\n{files}  - make {proof}\n"
        f"  - start mosquitto -c {options.folder}/axlewright.conf; it is complete in itself (included from a file "
        "that already sets persistence, it would say things twice)\n"
        f"  - tell the office: axlewright serve --broker-url {scheme}://HOST:{options.port} ...\n"
    )


def write_files(fleet: FleetSpec, options: Options, into: Path) -> list[Path]:
    """Write both files into a folder and return their paths."""
    make_folder(into, SettingsError, "--into")
    written = []
    for name, text in (
        ("axlewright.conf", configuration(fleet, options)),
        ("axlewright.acl", access_rules(fleet)),
    ):
        path = into / name
        path.write_text(text, encoding="utf-8")
        written.append(path)
    return written
