"""The evaluation's command: what is missing is said before the work, and reports say where readings came from."""

from __future__ import annotations

import importlib

import pytest

from axlewright_models.command_line import main
from axlewright_server.evaluation import orchestra, report
from axlewright_server.evaluation.record import Run


def test_a_missing_library_of_the_simple_alarms_is_said_before_the_work(monkeypatch, tmp_path, capsys):
    loaded = importlib.import_module

    def without_river(name, package=None):
        if name.startswith("river"):
            raise ImportError(name)
        return loaded(name, package)

    monkeypatch.setattr(importlib, "import_module", without_river)
    assert main(["evaluate", "--into", str(tmp_path / "report"), "--seeds", "1", "--quiet"]) == 1
    assert "--no-baselines" in capsys.readouterr().err
    assert not (tmp_path / "report").exists()


@pytest.mark.parametrize("words", [["--truth", "t.json"], ["--fleet", "f.toml"], ["--truth", "t", "--fleet", "f"]])
def test_a_truth_without_readings_does_not_begin_the_hours_of_the_library(monkeypatch, tmp_path, capsys, words):
    monkeypatch.setattr(orchestra, "run_parts", lambda *_: pytest.fail("the library was run"))
    assert main(["evaluate", "--into", str(tmp_path / "report"), *words]) == 1
    said = capsys.readouterr().err
    assert "--readings FILE" in said
    assert words[0] in said
    assert not (tmp_path / "report").exists()


def test_a_report_on_other_peoples_readings_does_not_call_them_simulated():
    outside, own = (
        Run(key=key, variant="as-designed", kind="healthy", seed=0, units=(), alerts=())
        for key in ("outside", "as-designed-healthy-2001")
    )
    assert "made elsewhere" in report._lead([outside], "x")[2]
    assert "simulated" in report._lead([own], "x")[2]
