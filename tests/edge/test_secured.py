"""TLS, certificates, passwords and the limits of an MQTT 5 broker, against mosquitto."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from axlewright_edge.clock import SystemClock
from axlewright_edge.config import BrokerSettings
from axlewright_edge.link import Link
from axlewright_edge.outbox import Outbox
from axlewright_models.wire.frames import Window


def wait_for(what: str, check: Callable[[], Any], timeout_s: float = 15.0) -> None:
    deadline = time.monotonic() + timeout_s
    while not check():
        assert time.monotonic() < deadline, f"no {what} within {timeout_s:g} s"
        time.sleep(0.02)


@contextmanager
def truck(folder: Path, settings: BrokerSettings) -> Iterator[tuple[Outbox, Link]]:
    with Outbox(folder / "t-1.sqlite", "yard/t-1") as outbox:
        link = Link("yard", "t-1", settings, outbox, SystemClock(), lambda command: None)
        link.start()
        try:
            yield outbox, link
        finally:
            link.stop()


@pytest.fixture(scope="module")
def certificates(services: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A certificate authority, a broker's and a truck's certificate, and a stranger's authority."""
    folder = tmp_path_factory.mktemp("certificates")
    openssl = services.tool("openssl")

    def run(*words: str) -> None:
        subprocess.run([openssl, *words], cwd=folder, check=True, capture_output=True)

    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    for name in ("authority", "stranger"):
        run("req", "-x509", *key, "-keyout", f"{name}.key", "-out", f"{name}.pem", "-days", "2", "-subj", f"/CN={name}")
    (folder / "san.cnf").write_text("subjectAltName=IP:127.0.0.1\n", encoding="utf-8")
    for name in ("broker", "t-1"):
        run("req", *key, "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}")
        signing = ("-CA", "authority.pem", "-CAkey", "authority.key", "-CAcreateserial", "-days", "2")
        run("x509", "-req", "-in", f"{name}.csr", *signing, "-extfile", "san.cnf", "-out", f"{name}.pem")
    return folder


def test_a_truck_with_its_certificate_is_let_in(certificates: Path, tmp_path: Path, services: Any) -> None:
    port = services.free_port()
    settings = BrokerSettings(
        url=f"mqtts://127.0.0.1:{port}",
        authority_file=str(certificates / "authority.pem"),
        certificate_file=str(certificates / "t-1.pem"),
        key_file=str(certificates / "t-1.key"),
    )
    with (
        services.mosquitto(tmp_path, port, services.tls_lines(port, certificates)),
        truck(tmp_path, settings) as (_, link),
    ):
        wait_for("connection", lambda: link.connected)


# paho leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore:unclosed <ssl.SSLSocket:ResourceWarning")
@pytest.mark.parametrize(
    ("authority", "with_certificate"),
    [("stranger.pem", True), ("authority.pem", False)],
    ids=["a broker of a stranger's authority is not believed", "a truck without its certificate stays out"],
)
def test_tls_keeps_strangers_out(
    authority: str, with_certificate: bool, certificates: Path, tmp_path: Path, services: Any
) -> None:
    port = services.free_port()
    settings = BrokerSettings(
        url=f"mqtts://127.0.0.1:{port}",
        authority_file=str(certificates / authority),
        certificate_file=str(certificates / "t-1.pem") if with_certificate else "",
        key_file=str(certificates / "t-1.key") if with_certificate else "",
    )
    with (
        services.mosquitto(tmp_path, port, services.tls_lines(port, certificates)),
        truck(tmp_path, settings) as (_, link),
    ):
        time.sleep(1.0)
        assert not link.connected


@pytest.mark.parametrize(("password", "let_in"), [("right", True), ("wrong", False)])
def test_the_password_comes_from_its_file(password: str, let_in: bool, tmp_path: Path, services: Any) -> None:
    users, secret, port = tmp_path / "users", tmp_path / "password", services.free_port()
    subprocess.run(
        [services.tool("mosquitto_passwd"), "-b", "-c", str(users), "t-1", "right"], check=True, capture_output=True
    )
    secret.write_text(f"{password}\n", encoding="utf-8")
    settings = BrokerSettings(url=f"mqtt://127.0.0.1:{port}", user="t-1", password_file=str(secret))
    lines = f"listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {users}"
    with services.mosquitto(tmp_path, port, lines), truck(tmp_path, settings) as (_, link):
        if let_in:
            wait_for("connection", lambda: link.connected)
        else:
            time.sleep(0.8)
            assert not link.connected


def test_a_frame_too_large_for_the_broker_is_set_aside_and_does_not_break_the_line(
    tmp_path: Path, services: Any
) -> None:
    port = services.free_port()
    settings = BrokerSettings(url=f"mqtt://127.0.0.1:{port}")
    lines = f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_packet_size 1000"
    with services.mosquitto(tmp_path, port, lines), truck(tmp_path, settings) as (outbox, link):
        large = {f"extra/channel-{number}": float(number) for number in range(60)}
        outbox.put([Window(1.7e9, {"speed": 1.0}), Window(1.7e9 + 10.0, large), Window(1.7e9 + 20.0, {"speed": 2.0})])
        wait_for("set-aside frame", lambda: outbox.figures().set_aside == 1)
        ((seq, reason),) = outbox.frames_set_aside()
        assert seq == 2 and "bytes; the broker takes 760" in reason
        time.sleep(0.3)
        assert link.connected
