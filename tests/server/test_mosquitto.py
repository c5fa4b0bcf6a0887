"""The configuration that we write is one that mosquitto takes, and its rights are what they should be."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from ports import free_port

from axlewright_models.spec import FleetSpec, parse_fleet
from axlewright_server.mosquitto import OFFICE, Options, access_rules, configuration, next_steps, write_files

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
PASSWD = shutil.which("mosquitto_passwd")
FLEET = """
fleet = "yard"
name = "One yard"
[types.tractor]
title = "6x4 tractor"
[vehicles.t-1]
type = "tractor"
[vehicles.t-2]
type = "tractor"
"""


@pytest.fixture
def fleet() -> FleetSpec:
    return parse_fleet(FLEET)


@pytest.mark.parametrize(
    "line",
    [
        "set_tcp_nodelay true",
        "max_inflight_messages 1000",
        "max_queued_messages 100000",
        "autosave_interval 1",
        "allow_anonymous false",
        "require_certificate true",
        "use_identity_as_username true",
        "listener 8883",
    ],
)
def test_the_usual_configuration_has_the_settings_that_production_needs(fleet: FleetSpec, line: str) -> None:
    assert line in configuration(fleet, Options()).splitlines()


def test_without_encryption_it_listens_on_this_machine_only(fleet: FleetSpec) -> None:
    lines = configuration(fleet, Options(tls=False, port=1883)).splitlines()
    assert [line for line in lines if line.startswith("listener")] == ["listener 1883 127.0.0.1"]
    assert not any(line.startswith("autosave_on_changes") for line in lines)


def test_what_is_left_to_do_names_each_file_that_the_configuration_wants(fleet: FleetSpec) -> None:
    text = next_steps(fleet, Options())
    assert all(name in text for name in ("ca.crt", "server.crt", "server.key", "common name", "mqtts://"))


def test_no_rule_lets_a_truck_touch_another(fleet: FleetSpec) -> None:
    user = ""
    for line in access_rules(fleet).splitlines():
        if line.startswith("user "):
            user = line.removeprefix("user ")
        elif line.startswith("topic ") and user != OFFICE:
            assert line.split()[-1].startswith(f"axlewright/1/yard/{user}/")


@pytest.fixture
def broker(tmp_path: Path, fleet: FleetSpec) -> Iterator[int]:
    if MOSQUITTO is None or PASSWD is None:
        (pytest.fail if os.environ.get("AXLEWRIGHT_REQUIRE_SERVICES") == "1" else pytest.skip)(
            "mosquitto is not installed (apt-get install mosquitto)"
        )
    port = free_port()
    path, _ = write_files(fleet, Options(str(tmp_path), port, tls=False), tmp_path)
    text = path.read_text().replace("persistence true", "persistence false")  # no rights in /var/lib here
    path.write_text(text.replace("per_listener_settings", "user root\nper_listener_settings"))
    passwords = tmp_path / "passwords"
    passwords.touch(0o600)
    for user in (OFFICE, "t-1", "t-2"):
        subprocess.run([PASSWD, "-b", str(passwords), user, "secret"], check=True, capture_output=True)
    process = subprocess.Popen([MOSQUITTO, "-c", str(path)], stderr=subprocess.PIPE)
    try:
        for _ in range(100):
            try:
                socket.create_connection(("127.0.0.1", port), 0.2).close()
                break
            except OSError:
                assert process.poll() is None, process.stderr and process.stderr.read().decode()
                time.sleep(0.05)
        yield port
    finally:
        process.terminate()
        process.wait(5)
        if process.stderr:
            process.stderr.close()


class Client:
    def __init__(self, port: int, user: str) -> None:
        self.got: list[tuple[str, bytes]] = []
        self.subscribed = threading.Event()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        self.client.username_pw_set(user, "secret")
        self.client.on_connect = lambda client, *_: client.subscribe("axlewright/#", 1)
        self.client.on_subscribe = lambda *_: self.subscribed.set()
        self.client.on_message = lambda _client, _data, message: self.got.append((message.topic, message.payload))
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self.subscribed.wait(5)

    def publish(self, topic: str, payload: bytes) -> None:
        self.client.publish(topic, payload, qos=1).wait_for_publish(5)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def test_each_truck_is_confined_to_its_own_subtree_on_a_real_broker(broker: int) -> None:
    office, one, two = Client(broker, OFFICE), Client(broker, "t-1"), Client(broker, "t-2")
    try:
        one.publish("axlewright/1/yard/t-2/readings", b"forged")  # mosquitto confirms and drops it
        one.publish("axlewright/1/yard/t-1/ack", b"forged")
        one.publish("axlewright/1/yard/t-1/readings", b"own")
        office.publish("axlewright/1/yard/t-1/ack", b"ack for 1")
        office.publish("axlewright/1/yard/t-2/ack", b"ack for 2")
        deadline = time.monotonic() + 5
        while (not office.got or not one.got or not two.got) and time.monotonic() < deadline:
            time.sleep(0.02)
        time.sleep(0.2)  # for what should not come
        assert office.got == [("axlewright/1/yard/t-1/readings", b"own")]
        assert one.got == [("axlewright/1/yard/t-1/ack", b"ack for 1")]
        assert two.got == [("axlewright/1/yard/t-2/ack", b"ack for 2")]
    finally:
        for client in (office, one, two):
            client.close()
