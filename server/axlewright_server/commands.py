"""The office's sub-commands. Libraries that only one of them needs are imported when it runs."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable

from axlewright_models.command_line import Command
from axlewright_models.errors import ModelError
from axlewright_server.errors import ServerError


def _plainly(run: Callable[[argparse.Namespace], int]) -> Callable[[argparse.Namespace], int]:
    """Say what is wrong in one line instead of a traceback."""

    def guarded(options: argparse.Namespace) -> int:
        try:
            return run(options)
        except (ServerError, ModelError) as error:
            print(f"axlewright: {error}", file=sys.stderr)
            return 1

    return guarded


def _common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--settings", metavar="FILE", help="settings file (TOML); flags overrule it")
    parser.add_argument("--data", metavar="FOLDER", help="folder of the store (default: axlewright-data)")


def _fleet(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--fleet", metavar="FILE", help="fleet file (TOML)")


def _serve_arguments(parser: argparse.ArgumentParser) -> None:
    _common(parser)
    _fleet(parser)
    parser.add_argument(
        "--fleet-prior", metavar="FILE", help="what sister axles read, for axles that are still learning"
    )
    parser.add_argument("--page-host", metavar="HOST", help="where the page listens (default: 127.0.0.1)")
    parser.add_argument("--page-port", metavar="PORT", type=int, help="port of the page (default: 8642)")
    parser.add_argument("--broker-port", metavar="PORT", type=int, help="port of the embedded broker (default: 18642)")
    parser.add_argument("--broker-url", metavar="URL", help="use this broker instead: mqtt://HOST:1883, mqtts://HOST")
    parser.add_argument("--broker-user", metavar="NAME", help="user name at that broker")
    parser.add_argument("--broker-password-file", metavar="FILE", help="file with the password at that broker")
    parser.add_argument("--broker-ca", metavar="FILE", help="certificates that the broker's is checked by")
    parser.add_argument("--broker-certificate", metavar="FILE", help="the office's own certificate")
    parser.add_argument("--broker-key", metavar="FILE", help="the key of that certificate")
    parser.add_argument("--log-level", default="info", choices=["debug", "info", "warning", "error"])


def _serve(options: argparse.Namespace) -> int:
    from axlewright_server.serve import serve
    from axlewright_server.settings import load_settings

    settings = load_settings(
        options.settings,
        fleet=options.fleet,
        data=options.data,
        fleet_prior=options.fleet_prior,
        page_host=options.page_host,
        page_port=options.page_port,
        broker_embedded_port=options.broker_port,
        broker_url=options.broker_url,
        broker_user=options.broker_user,
        broker_password_file=options.broker_password_file,
        broker_ca_file=options.broker_ca,
        broker_certificate_file=options.broker_certificate,
        broker_key_file=options.broker_key,
    )
    return serve(settings, options.log_level)


def _broker_config_arguments(parser: argparse.ArgumentParser) -> None:
    from axlewright_server.mosquitto import Options

    usual = Options()
    parser.add_argument("--fleet", metavar="FILE", required=True, help="fleet file (TOML)")
    parser.add_argument("--into", metavar="FOLDER", required=True, help="folder that the files are written into")
    parser.add_argument(
        "--folder", default=usual.folder, help=f"where they will lie on the broker's machine (default: {usual.folder})"
    )
    parser.add_argument("--port", type=int, default=usual.port, help=f"port to listen on (default: {usual.port})")
    parser.add_argument("--host", default=usual.host, help="address to listen on (default: every one)")
    parser.add_argument("--passwords", action="store_true", help="trucks log in by password, not by certificate")
    parser.add_argument("--no-tls", action="store_true", help="no encryption: listens on 127.0.0.1 only, by password")


def _broker_config(options: argparse.Namespace) -> int:
    from pathlib import Path

    from axlewright_models.spec import load_fleet
    from axlewright_server.mosquitto import Options, next_steps, write_files

    chosen = Options(options.folder.rstrip("/"), options.port, options.host, not options.no_tls, options.passwords)
    fleet = load_fleet(options.fleet)
    for path in write_files(fleet, chosen, Path(options.into)):
        print(f"written: {path}")
    print(next_steps(fleet, chosen))
    return 0


def _load_history_arguments(parser: argparse.ArgumentParser) -> None:
    _common(parser)
    _fleet(parser)
    parser.add_argument("files", metavar="FILE", nargs="+", help="replay tables (.parquet or .csv)")
    parser.add_argument(
        "--fleet-prior", metavar="FILE", help="what sister axles read, for axles that are still learning"
    )
    parser.add_argument("--quiet", action="store_true", help="no progress bar")


def _load_history(options: argparse.Namespace) -> int:
    from axlewright_server.history import load_files
    from axlewright_server.settings import load_settings

    settings = load_settings(options.settings, fleet=options.fleet, data=options.data, fleet_prior=options.fleet_prior)
    print(load_files(settings, options.files, quiet=options.quiet).text)
    return 0


def _fleet_prior_arguments(parser: argparse.ArgumentParser) -> None:
    _common(parser)
    _fleet(parser)
    parser.add_argument("--into", metavar="FILE", default="fleet-prior.json", help="default: fleet-prior.json")


def _fleet_prior(options: argparse.Namespace) -> int:
    from pathlib import Path

    from axlewright_server.fleet_prior import make_prior
    from axlewright_server.settings import load_settings

    settings = load_settings(options.settings, fleet=options.fleet, data=options.data)
    print(make_prior(settings, Path(options.into)).text)
    print(f"written: {options.into}")
    return 0


def _add_user_arguments(parser: argparse.ArgumentParser) -> None:
    _common(parser)
    parser.add_argument("name", metavar="NAME", help="letters, digits and . _ @ -")
    parser.add_argument("--password-stdin", action="store_true", help="read the password from standard input")


def _add_user(options: argparse.Namespace) -> int:
    import getpass
    import time

    from axlewright_server.accounts import AccountError, check_name, check_new, put_account
    from axlewright_server.settings import load_settings
    from axlewright_server.store import Store

    settings = load_settings(options.settings, data=options.data)
    check_name(options.name)  # before anybody types a password for it
    if options.password_stdin:
        password = sys.stdin.readline().rstrip("\r\n")
    else:
        try:
            password = getpass.getpass(f"password of {options.name}: ")
            again = getpass.getpass("once more: ")
        except EOFError as error:
            raise AccountError(
                "no password was typed; give it by --password-stdin where there is no terminal"
            ) from error
        if again != password:
            raise AccountError("the two passwords differ; nothing was changed")
    check_new(options.name, password)  # before a folder is made for it
    store = Store(settings.data)
    try:
        with store.transaction():
            new = put_account(store, options.name, password, time.time())
    finally:
        store.close()
    print(f"{options.name}: {'added' if new else 'password changed'}")
    return 0


SERVE = Command(
    "serve",
    "run the office: broker, ingest, detectors, page",
    "Run the office until it is told to stop (Ctrl-C or SIGTERM). It listens on this machine only; to be reachable "
    "from others\n(--page-host) it wants user accounts and MQTT credentials.",
    _serve_arguments,
    _plainly(_serve),
    (
        "axlewright serve --fleet fleet.toml",
        "axlewright serve --settings office.toml --page-port 8080",
        "axlewright serve --fleet fleet.toml --broker-url mqtts://broker.example:8883 --broker-user axlewright-office "
        "--broker-password-file secret",
    ),
)
BROKER_CONFIG = Command(
    "broker-config",
    "write a mosquitto configuration with rights per truck",
    "Write axlewright.conf and axlewright.acl for mosquitto from the fleet file: each truck may write and read beneath "
    "its own\nname only. Run it again whenever the fleet file gains or loses trucks.",
    _broker_config_arguments,
    _plainly(_broker_config),
    (
        "axlewright broker-config --fleet fleet.toml --into /etc/mosquitto/axlewright",
        "axlewright broker-config --fleet fleet.toml --into ./broker --passwords --port 8884",
    ),
)
LOAD_HISTORY = Command(
    "load-history",
    "load recorded readings straight into the office's store",
    "Load replay tables (one row per axle and window; see the replay table's description in edge/README.md) through\n"
    "the same detectors that judge live frames. The office must not be running on the same data folder.\n"
    "Loading a file twice changes nothing.",
    _load_history_arguments,
    _plainly(_load_history),
    (
        "axlewright load-history --fleet fleet.toml --data axlewright-data weeks.parquet",
        "axlewright load-history --settings office.toml monday.csv tuesday.csv",
    ),
)
FLEET_PRIOR = Command(
    "fleet-prior",
    "write what the fleet's own axles read, for axles that are still learning",
    "Write, from what the detectors have learnt in a data folder, how strongly each vibration line shakes on sister\n"
    "axles (one vehicle type and position; at least five) and how far sisters differ. Given to the office\n"
    "(serve --fleet-prior FILE), a new axle is held to its sisters until it has learnt its own normal. No office may\n"
    "be running on the same data folder meanwhile.",
    _fleet_prior_arguments,
    _plainly(_fleet_prior),
    (
        "axlewright fleet-prior --fleet fleet.toml --data axlewright-data --into fleet-prior.json",
        "axlewright serve --fleet fleet.toml --fleet-prior fleet-prior.json",
    ),
)
ADD_USER = Command(
    "add-user",
    "add or change a person who may log in",
    "Add a person who may log in to the page, or change the password. Stop the office first.",
    _add_user_arguments,
    _plainly(_add_user),
    (
        "axlewright add-user planner --data axlewright-data",
        "axlewright add-user planner --settings office.toml --password-stdin < secret",
    ),
)
