"""Settings: the sample file says what the defaults are, and what is wrong is said with its key."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from axlewright_server.errors import ServerError, SettingsError
from axlewright_server.settings import PASSWORD_VARIABLE, BrokerSettings, Settings, load_settings, parse_settings

SAMPLE = Path(__file__).parents[2] / "server" / "office.toml"


def test_the_sample_file_shows_the_defaults() -> None:
    settings = load_settings(SAMPLE)
    assert settings.fleet == str(SAMPLE.parent / "fleet.toml")
    assert msgspec.structs.replace(settings, fleet="", data="axlewright-data") == Settings()


def test_the_sample_file_names_every_key() -> None:
    text = SAMPLE.read_text(encoding="utf-8")
    for part in (Settings, BrokerSettings):
        for name in part.__struct_fields__:
            assert f"{name} =" in text or f"[{name}]" in text, name


def test_flags_overrule_the_file_and_missing_flags_do_not() -> None:
    settings = load_settings(SAMPLE, page_port=9000, broker_url="mqtt://b", data=None)
    assert (settings.page.port, settings.broker.address) == (9000, "b:1883")
    assert settings.data == str(SAMPLE.parent / "axlewright-data")


@pytest.mark.parametrize(
    ("table", "text"),
    [
        ({"page": {"port": 70000}}, r"page\.port: Expected"),
        ({"page": {"prot": 1}}, r"`prot`; did you mean port\?"),
        ({"broker": {"url": "http://b"}}, r"broker\.url is 'http://b'; write mqtt://host:1883"),
        ({"broker": {"url": "mqtt://b:port"}}, r"broker\.url"),
        ({"broker": {"url": "mqtts://b", "key_file": "k"}}, "belong together; give both"),
        ({"broker": {"url": "mqtt://b", "ca_file": "c"}}, "TLS files are given but"),
    ],
)
def test_a_wrong_setting_is_said_with_its_key(table: dict[str, object], text: str) -> None:
    with pytest.raises(SettingsError, match=text):
        parse_settings(table, "office.toml")


def test_user_and_password_may_stand_in_the_url_but_a_file_goes_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(PASSWORD_VARIABLE, raising=False)
    broker = parse_settings({"broker": {"url": "mqtts://office:se%40cret@b"}}, "x").broker
    assert (broker.user, broker.read_password(), broker.port) == ("office", "se@cret", 8883)
    (tmp_path / "secret").write_text("from the file\n", encoding="utf-8")
    filed = msgspec.structs.replace(broker, password_file=str(tmp_path / "secret"))
    assert filed.read_password() == "from the file"
    monkeypatch.setenv(PASSWORD_VARIABLE, "from the environment")
    assert broker.read_password() == "from the environment"


def test_a_password_file_that_is_missing_is_said() -> None:
    with pytest.raises(SettingsError, match=r"broker\.password_file: /no/such cannot be read"):
        BrokerSettings(url="mqtt://b", password_file="/no/such").read_password()


@pytest.mark.parametrize("make", ["store", "broker-config"])
def test_a_file_where_a_folder_should_be_is_said_in_one_line(tmp_path: Path, make: str) -> None:
    from axlewright_models.spec import parse_fleet
    from axlewright_server.mosquitto import Options, write_files
    from axlewright_server.store import Store

    path = tmp_path / "taken"
    path.write_text("a file", encoding="utf-8")
    with pytest.raises(ServerError, match=r"taken cannot be used as a folder .* choose another with --"):
        if make == "store":
            Store(path)
        else:
            fleet = parse_fleet('fleet = "yard"\nname = "y"\n[types.t]\n[vehicles.t-1]\ntype = "t"\n')
            write_files(fleet, Options(), path)


def test_page_and_broker_at_one_port_are_refused_before_anything_starts() -> None:
    with pytest.raises(SettingsError, match=r"page\.port and broker\.embedded_port are both 9000"):
        load_settings(None, page_port=9000, broker_embedded_port=9000)
