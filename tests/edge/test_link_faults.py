"""A link that is refused, taken over, slow, or never answered: nothing lost, nothing twice, and no spinning."""

from __future__ import annotations

import logging
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Any

import pytest

from axlewright_edge.backoff import Backoff
from axlewright_edge.certificate import expiry_s
from axlewright_edge.clock import ManualClock, SystemClock
from axlewright_edge.config import BrokerSettings
from axlewright_edge.frame_flow import PACKET_OVERHEAD_BYTES
from axlewright_edge.link import SHORT_CONNECTIONS, STOOD_LONG_S, Link
from axlewright_edge.outbox import Outbox
from axlewright_edge.session import End, Session
from axlewright_models.wire.frames import Window, encode_frame


class Truck:
    """An outbox and a link, without a source; waits are short unless a test asks for the real ones."""

    def __init__(self, folder: Path, name: str = "a", quick: bool = True, clock: Any = None, **settings: Any) -> None:
        self.outbox = Outbox(folder / f"{name}.sqlite", "yard/t-1")
        broker = BrokerSettings(**{"resend_after_s": 0.4, "status_every_s": 5.0, **settings})
        self.link = Link("yard", "t-1", broker, self.outbox, clock or SystemClock(), lambda _: None, chance=Random(5))
        if quick:
            for end in (End.REFUSED, End.TAKEN):
                self.link._patient[end] = Backoff(0.4, 0.8, Random(6))

    def put(self, count: int, start_s: float = 1.7e9) -> None:
        self.outbox.put([Window(start_s + 10.0 * n, {"speed": float(n % 90)}) for n in range(count)])

    def close(self) -> None:
        self.link.stop()
        self.outbox.close()


@contextmanager
def running(truck: Truck) -> Iterator[Truck]:
    truck.link.start()
    try:
        yield truck
    finally:
        truck.close()


def wait_for(what: str, check: Callable[[], Any], timeout_s: float = 20.0) -> Any:
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        if answer := check():
            return answer
        time.sleep(0.02)
    raise AssertionError(f"no {what} within {timeout_s:g} s")


def times(office: Any) -> list[float]:
    with office.lock:
        return [window.time_s for frame in office.committed for window in frame.windows]


def said(caplog: pytest.LogCaptureFixture, text: str) -> list[str]:
    return [record.getMessage() for record in caplog.records if text in record.getMessage()]


@pytest.mark.parametrize("broker", ["mosquitto"], indirect=True)
def test_two_agents_of_one_vehicle_interrupt_each_other_less_and_less_often_and_all_arrives_once(
    broker: Any, office: Any, tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    connections: list[Session] = []
    monkeypatch.setattr(Session, "run", counted(Session.run, connections))
    # Everything ten times as quick: waits from 0.05 to 6 s.
    monkeypatch.setattr("axlewright_edge.backoff.Backoff.next", quicker(Backoff.next))
    monkeypatch.setattr("axlewright_edge.link.STOOD_LONG_S", STOOD_LONG_S / 10.0)
    url = f"mqtt://127.0.0.1:{broker.port}"
    first, second = Truck(tmp_path, "a", quick=False, url=url), Truck(tmp_path, "b", quick=False, url=url)
    with running(first), running(second):
        for part in range(20):
            first.put(10, 1.7e9 + 1e4 * part)
            second.put(10, 1.75e9 + 1e4 * part)
            time.sleep(0.3)
        # Doubling waits: at most eight each in these 6 s; at the first wait it would have been some eighty.
        assert 4 <= len(connections) <= 18
        # One that comes and goes is one trouble: said a few times, not at each end.
        assert 1 <= len(said(caplog, "t-1: connection ")) <= 8
        wait_for("all frames", lambda: first.outbox.queued == 0 == second.outbox.queued, 40.0)
        wait_for("note", lambda: any("does another agent connect as this vehicle?" in s.note for s in office.statuses))
    told = times(office)
    assert len(told) == len(set(told)) == 400


class Doorman:
    """Accepts every connection with a CONNACK and ends it at once, as its last word says."""

    def __init__(self, connack: bytes, last_word: bytes = b"") -> None:
        self.count = 0
        self._words = (connack, last_word)
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._socket.getsockname()[1])
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while True:
            try:
                line, _ = self._socket.accept()
            except OSError:
                return
            with line:
                line.recv(1000)
                self.count += 1
                line.sendall(self._words[0])
                time.sleep(0.1)
                line.sendall(self._words[1])
                time.sleep(0.05)

    def close(self) -> None:
        self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        self._thread.join(5)


def test_connections_that_do_not_stand_are_made_less_and_less_often_and_it_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("axlewright_edge.backoff.Backoff.next", quicker(Backoff.next))
    doorman = Doorman(b"\x20\x02\x00\x00")
    try:
        with running(Truck(tmp_path, url=f"mqtt://127.0.0.1:{doorman.port}", version="3.1.1")) as truck:
            wait_for("connections", lambda: doorman.count >= SHORT_CONNECTIONS)
            wait_for("note", lambda: truck.link._notes.waiting)
            begun, seen = time.monotonic(), doorman.count
            time.sleep(3.0)
            # Ten times quicker than real: waits of 0.8 s and more from the fifth on.
            assert doorman.count - seen <= (time.monotonic() - begun) / 0.4 + 1
            notes = [truck.link._notes.take() for _ in range(truck.link._notes.waiting)]
            assert any(str(note).startswith(f"{SHORT_CONNECTIONS} connections in a row ended") for note in notes)
    finally:
        doorman.close()


def test_a_broker_that_says_taken_over_is_left_alone_for_long_and_it_is_said(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    # MQTT 5.0: CONNACK with no properties, later DISCONNECT with reason 0x8E.
    doorman = Doorman(b"\x20\x03\x00\x00\x00", b"\xe0\x02\x8e\x00")
    try:
        with running(Truck(tmp_path, quick=False, url=f"mqtt://127.0.0.1:{doorman.port}", version="5")) as truck:
            wait_for("end", lambda: said(caplog, "taken over by another client of the same name (Session taken over)"))
            time.sleep(2.5)
            assert doorman.count == 1, "the usual first wait is a second at most"
            assert truck.link._notes.take() == (
                "another agent connects as this vehicle: each ends the other's connection; give each its own id"
            )
    finally:
        doorman.close()


def counted(method: Callable[[Session], End], into: list[Session]) -> Callable[[Session], End]:
    def run(session: Session) -> End:
        into.append(session)
        return method(session)

    return run


def quicker(method: Callable[[Backoff], float]) -> Callable[[Backoff], float]:
    return lambda backoff: method(backoff) / 10.0


def test_refused_credentials_cost_nothing_and_are_read_anew_at_every_attempt(
    services: Any, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    users, secret, port = tmp_path / "users", tmp_path / "password", services.free_port()
    subprocess.run(
        [services.tool("mosquitto_passwd"), "-b", "-c", str(users), "t-1", "right"], check=True, capture_output=True
    )
    secret.write_text("wrong\n", encoding="utf-8")
    open_port = services.free_port()
    lines = (
        f"per_listener_settings true\nlistener {port} 127.0.0.1\nallow_anonymous false\npassword_file {users}\n"
        f"listener {open_port} 127.0.0.1\nallow_anonymous true"
    )
    with services.mosquitto(tmp_path, port, lines):
        office = services.office(open_port)
        office.start()
        truck = Truck(tmp_path, url=f"mqtt://127.0.0.1:{port}", user="t-1", password_file=str(secret))
        truck.put(30)
        with running(truck):
            wait_for("refusal", lambda: said(caplog, "connection refused (Not authorized)"))
            assert truck.outbox.queued == 30 and not truck.link.connected
            secret.write_text("right\n", encoding="utf-8")
            wait_for("frames", lambda: truck.outbox.queued == 0)
        office.stop()
    assert len(times(office)) == len(set(times(office))) == 30


def test_a_broker_that_refuses_is_asked_seldom() -> None:
    link_waits = [
        Backoff(first_s=4.0, ceiling_s=300.0, chance=Random(seed)) for seed in range(20)
    ]  # as link.py makes them
    for backoff in link_waits:
        waits = [backoff.next() for _ in range(12)]
        assert waits[0] >= 2.0 and 150.0 <= waits[-1] <= 300.0


@pytest.fixture(scope="module")
def certificates(services: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An authority; a broker's and a truck's certificate, each once good and once expired."""
    folder = tmp_path_factory.mktemp("expiring")
    openssl = services.tool("openssl")

    def run(*words: str) -> None:
        subprocess.run([openssl, *words], cwd=folder, check=True, capture_output=True)

    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    run("req", "-x509", *key, "-keyout", "authority.key", "-out", "authority.pem", "-days", "2", "-subj", "/CN=yard")
    (folder / "san.cnf").write_text("subjectAltName=IP:127.0.0.1\n", encoding="utf-8")
    for name in ("broker", "t-1"):
        run("req", *key, "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}")
        signing = ("-CA", "authority.pem", "-CAkey", "authority.key", "-CAcreateserial", "-extfile", "san.cnf")
        for kind, days in (("good", "2"), ("expired", "-1")):
            run("x509", "-req", "-in", f"{name}.csr", *signing, "-days", days, "-out", f"{name}-{kind}.pem")
    return folder


# paho leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore:unclosed <ssl.SSLSocket:ResourceWarning")
@pytest.mark.parametrize("whose", ["broker", "t-1"])
def test_an_expired_certificate_stops_the_link_and_not_the_readings_and_a_new_one_is_taken_up(
    whose: str, services: Any, certificates: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    port, open_port = services.free_port(), services.free_port()
    for name in ("broker", "t-1"):
        kind = "expired" if name == whose else "good"
        (tmp_path / f"{name}.pem").write_bytes((certificates / f"{name}-{kind}.pem").read_bytes())
        (tmp_path / f"{name}.key").write_bytes((certificates / f"{name}.key").read_bytes())
    (tmp_path / "authority.pem").write_bytes((certificates / "authority.pem").read_bytes())
    lines = f"per_listener_settings true\n{services.tls_lines(port, tmp_path)}\n"
    lines += f"listener {open_port} 127.0.0.1\nallow_anonymous true"
    truck = Truck(
        tmp_path,
        url=f"mqtts://127.0.0.1:{port}",
        authority_file=str(tmp_path / "authority.pem"),
        certificate_file=str(tmp_path / "t-1.pem"),
        key_file=str(tmp_path / "t-1.key"),
    )
    truck.put(30)
    with ExitStack() as stack:
        with services.mosquitto(tmp_path, port, lines):
            stack.enter_context(running(truck))
            wait_for("failed attempt", lambda: said(caplog, "connection"))
            time.sleep(0.5)
            assert truck.outbox.queued == 30 and not truck.link.connected
        # The renewed file is put in its place; only a broker must be started again to read its own.
        (tmp_path / f"{whose}.pem").write_bytes((certificates / f"{whose}-good.pem").read_bytes())
        with services.mosquitto(tmp_path, port, lines):
            wait_for("the office's door", lambda: services.answers(open_port))
            office = services.office(open_port)
            office.start()
            wait_for("frames", lambda: truck.outbox.queued == 0, 40.0)
            office.stop()
    assert len(times(office)) == len(set(times(office))) == 30
    if whose == "broker":
        assert said(caplog, "certificate has expired"), caplog.text
    else:
        assert said(caplog, "this truck's certificate ended on"), caplog.text


def test_a_certificate_that_ends_soon_is_told_of_while_the_link_still_works(certificates: Path, tmp_path: Path) -> None:
    files = {"certificate_file": str(certificates / "t-1-good.pem"), "key_file": str(certificates / "t-1.key")}
    truck = Truck(tmp_path, url="mqtts://127.0.0.1:1", **files)
    try:
        truck.link._judge(End.LOST, True, 100.0)
        assert "this truck's certificate ends on" in str(truck.link._notes.take())
        truck.link._judge(End.LOST, True, 100.0)
        assert truck.link._notes.take() is None, "said again and again"
    finally:
        truck.outbox.close()


@pytest.mark.parametrize(("name", "days"), [("t-1-good", 2.0), ("t-1-expired", -1.0)])
def test_the_end_of_a_certificate_is_read_as_openssl_reads_it(name: str, days: float, certificates: Path) -> None:
    file = certificates / f"{name}.pem"
    told = subprocess.run(
        ["openssl", "x509", "-in", str(file), "-noout", "-enddate"], capture_output=True, text=True, check=True
    ).stdout
    ends = datetime.strptime(told.split("=")[1].strip(), "%b %d %H:%M:%S %Y %Z").replace(tzinfo=UTC)
    assert expiry_s(file) == ends.timestamp()
    assert ends.timestamp() - time.time() == pytest.approx(days * 86400.0, abs=3600.0)


def test_what_is_no_certificate_has_no_end(tmp_path: Path) -> None:
    file = tmp_path / "key.pem"
    file.write_text("-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n", encoding="ascii")
    assert expiry_s(file) is None
    assert expiry_s(tmp_path / "none.pem") is None


def test_a_certificate_that_cannot_be_judged_yet_is_told_apart(tmp_path: Path) -> None:
    truck = Truck(tmp_path, clock=ManualClock(0.0), url="mqtt://127.0.0.1:1")
    try:
        assert "the truck's clock is not set yet" in truck.link._hint("certificate verify failed: not yet valid")
        assert truck.link._hint("Connection refused") == ""
    finally:
        truck.outbox.close()


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_a_slow_link_carries_no_more_than_its_rate_and_the_status_goes_before_the_frames(
    broker: Any, office: Any, tmp_path: Path
) -> None:
    rate = 8000.0
    truck = Truck(tmp_path, url=f"mqtt://127.0.0.1:{broker.port}", rate_limit_bytes_per_s=rate)
    truck.put(400)
    begun = time.monotonic()
    with running(truck):
        wait_for("frames", lambda: len(office.received) > 40)
        truck.link.say("how is it going?")
        wait_for("the note", lambda: any(s.note == "how is it going?" for s in office.statuses), 2.0)
        assert truck.outbox.queued > 200, "the frames were through before the status: the test proves nothing"
        time.sleep(2.0)
        lasted_s = time.monotonic() - begun
        with office.lock:
            sent = sum(len(encode_frame(frame)) + PACKET_OVERHEAD_BYTES for frame in office.received)
        assert sent <= rate * (lasted_s + 1.0) + 1000.0
        assert sent >= 0.6 * rate * lasted_s, "the limit wastes the link"
        wait_for("all frames", lambda: truck.outbox.queued == 0, 60.0)
    assert len(times(office)) == len(set(times(office))) == 400


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_an_office_that_never_acknowledges_costs_one_frame_at_a_time_and_is_told_of_now_and_then(
    broker: Any, office: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("axlewright_edge.in_flight.LONGEST_RESEND_S", 0.4)
    monkeypatch.setattr("axlewright_edge.frame_flow.FIRST_WARNING_S", 0.5)
    office.silent = True
    truck = Truck(tmp_path, url=f"mqtt://127.0.0.1:{broker.port}", resend_after_s=0.1)
    truck.put(300)
    with running(truck):
        wait_for("first frames", lambda: len(office.received) >= 50)
        before, begun = len(office.received), time.monotonic()
        time.sleep(5.0)
        publishes, lasted_s = len(office.received) - before, time.monotonic() - begun
        # One probe for each wait of 0.4 s (the first ones are shorter), not a window of 50.
        assert 3 <= publishes <= lasted_s / 0.4 + 6
        notes = [s.note for s in office.statuses if "acknowledged nothing" in s.note]
        # At 0.5 s, 1, 2, 4 s: not at every attempt.
        assert 1 <= len(set(notes)) <= 5
        assert truck.outbox.queued == 300
        office.silent = False
        wait_for("all frames", lambda: truck.outbox.queued == 0)
    assert len(times(office)) == len(set(times(office))) == 300


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_a_link_says_that_it_is_connected_and_of_a_broker_that_is_away_one_line_and_one_when_it_is_back(
    broker: Any, tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("axlewright_edge.backoff.Backoff.next", quicker(Backoff.next))
    caplog.set_level(logging.INFO)
    with running(Truck(tmp_path, quick=False, url=f"mqtt://127.0.0.1:{broker.port}")) as truck:
        wait_for("connection", lambda: truck.link.connected)
        assert any(f"connected to 127.0.0.1, port {broker.port}, by MQTT" in line for line in said(caplog, "t-1: "))
        broker.stop()
        wait_for("end", lambda: truck.link._troubles._count >= 3)
        assert truck.link.trouble.startswith("no connection (")
        begun = len(said(caplog, "t-1: "))
        wait_for("more attempts", lambda: truck.link._troubles._count >= 5)
        assert len(said(caplog, "t-1: ")) == begun
        broker.start()
        wait_for("connection", lambda: truck.link.connected)
        wait_for("line", lambda: "; before that " in said(caplog, "t-1: ")[-1])
        assert truck.link.trouble == ""
