"""The knowledge base is held to cases, at least one for each cause; the command tells a specialist what is wrong."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import pytest

from axlewright_server.diagnosis.case import EXPLAINS_RATIO
from axlewright_server.diagnosis.cases import Case, load_cases, try_cases, untried
from axlewright_server.diagnosis.command import KNOWLEDGE as COMMAND
from axlewright_server.diagnosis.facts import KnowledgeError
from axlewright_server.diagnosis.knowledge import load_knowledge
from axlewright_server.diagnosis.posterior import diagnose

KNOWLEDGE = load_knowledge()
CASES = load_cases()


@pytest.mark.parametrize("case", CASES, ids=[case.title for case in CASES])
def test_a_case_comes_out_as_a_specialist_expects(case: Case) -> None:
    (result,) = try_cases(KNOWLEDGE, [case])
    assert result.faults == ()


def test_every_cause_has_a_case_that_it_leads() -> None:
    assert untried(KNOWLEDGE, CASES) == []


@pytest.mark.parametrize("cause", list(KNOWLEDGE.causes))
def test_what_explains_a_line_explains_the_source_that_is_told_from_it(cause: str) -> None:
    """Else the same line would call for a second fault as soon as its source is told."""
    pairs = {
        "wheel-orders": ("source-wheel",),
        "engine-orders": ("source-engine",),
        "mesh-orders": ("source-gear-mesh",),
        "envelope": ("source-bearing",),
        "driveshaft-1": ("source-driveshaft-unbalance", "source-worn-yoke", "source-centre-bearing"),
        "driveshaft-2": ("source-joint-angle", "source-worn-yoke", "source-centre-bearing"),
    }
    for line, sources in pairs.items():
        if KNOWLEDGE.likelihood(cause, line) >= 0.1:
            best = max(KNOWLEDGE.likelihood(cause, one) / KNOWLEDGE.background[one] for one in sources)
            assert best >= EXPLAINS_RATIO, f"{cause}: {line}"


def test_a_loss_of_lube_that_is_heard_in_gears_and_bearings_is_one_fault() -> None:
    standing = ("lube-level", "lube-above-model", "hotter-than-partner", "mesh-orders", "source-gear-mesh")
    seen = dict.fromkeys((*standing, "envelope", "source-bearing", "heat-with-torque"), True) | {"abrupt-onset": False}
    (finding,) = diagnose(KNOWLEDGE, seen)
    assert finding.cause == "low-lube-worn-pinion-seal"


def test_lines_that_coincide_leave_the_causes_split() -> None:
    case = next(case for case in CASES if "lines-coincide" in case.seen)
    (together,) = try_cases(KNOWLEDGE, [case])
    shares = dict(together.ranking)
    # What one of two lines says can't favour either source by more than their priors and chances of showing do.
    ratio = shares["driveshaft-unbalance"] / shares["engine-misfire"]
    unbalance, misfire = KNOWLEDGE.causes["driveshaft-unbalance"], KNOWLEDGE.causes["engine-misfire"]
    assert ratio == pytest.approx(unbalance.prior / misfire.prior, rel=0.15)


def run(*words: str) -> int:
    return COMMAND.run(COMMAND.parser().parse_args(list(words)))


def test_the_command_is_content_with_the_packaged_knowledge(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("check", "--quiet") == 0
    assert f"{len(CASES)} of {len(CASES)} cases as expected" in capsys.readouterr().out


def test_the_command_tells_a_case_that_an_edit_has_spoilt(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = resources.files("axlewright_server.diagnosis").joinpath("causes.toml").read_text(encoding="utf-8")
    mine = tmp_path / "mine.toml"
    mine.write_text(text.replace("leak-down = { p = 0.9,", "leak-down = { p = 0.001,", 1), encoding="utf-8")
    assert run("check", "--knowledge", str(mine), "--quiet") == 1
    assert "wrong  sinks while parked" in capsys.readouterr().out


def test_a_specialist_may_add_a_cause_and_a_case_without_touching_the_program(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = resources.files("axlewright_server.diagnosis").joinpath("causes.toml").read_text(encoding="utf-8")
    cause = """
[cause.worn-shock-absorber]
title = "Shock absorber worn"
mechanism = "a damper without oil lets the axle hop"
prior = 0.01
urgency = "next-service"
checks = ["air-spring-condition"]
cautions = ["air-suspended-frame"]
leak_paths = {}
[cause.worn-shock-absorber.likelihood]
hunting = { p = 0.5, reason = "the axle swings longer after each bump" }
wheel-orders = { p = 0.6, reason = "it hops in the rhythm of the wheels" }
"""
    mine, cases = tmp_path / "mine.toml", tmp_path / "cases.toml"
    mine.write_text(text + cause, encoding="utf-8")
    cases.write_text(
        '[[case]]\ntitle = "hops"\nseen = ["hunting", "wheel-orders"]\nexpected = ["worn-shock-absorber"]\n',
        encoding="utf-8",
    )
    assert run("check", "--knowledge", str(mine), str(cases)) == 0
    assert "worn-shock-absorber" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("[[case]]\ntitle = 'x'\nseen = ['height-low']\nexpected = ['no-such']\n", "'no-such' is no cause"),
        ("[[case]]\ntitle = 'x'\nseen = ['no-such']\nexpected = ['hunting-valve']\n", "neither evidence nor a symptom"),
        ("[[case]]\ntitle = 'x'\nseen = ['hunting']\nexpect = []\n", "case 1"),
        (
            "[[case]]\ntitle='x'\nseen=['hunting']\nexpected=['hunting-valve']\nfound={lube-level='no'}\n",
            "'no' is no outcome",
        ),
        ("title = 'x'\n", "write one or more"),
        ("[[case", "cannot be read"),
    ],
)
def test_a_wrong_case_is_refused_with_its_place(tmp_path: Path, text: str, problem: str) -> None:
    file = tmp_path / "cases.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(KnowledgeError, match=problem):
        try_cases(KNOWLEDGE, load_cases(file))


@pytest.mark.parametrize(
    ("old", "new", "path"),
    [
        ('outcome.low = { title = "lube found below the plug", background = 0.04 }', "", "check.lube-level.outcome"),
        ('normal = "at-plug"', 'normal = "full"', "check.lube-level.normal"),
        ("lube-level.low = { p = 0.95,", "lube-level.empty = { p = 0.95,", "found.lube-level"),
        ("leak-down = 0.0005\n", "", "evidence.leak-down: has no number in [background]"),
        ("leak-down = 0.0005\n", "leak-down = 5\n", "background.leak-down"),
        ('given = ["driveshaft-1", "driveshaft-2"]', 'given = ["drive"]', "evidence.abrupt-shaking.given"),
        (
            'before = ["lube-above-model"',
            'before = ["lube-above-modle"',
            "gears-before-heat.before: 'lube-above-modle' is no known evidence; did you mean lube-above-model?",
        ),
        ("[none]\n", "[nothing]\n", "nothing: unknown key; allowed are none"),
        ('touched = ["wheel-or-tyre"]', 'touched = ["roof"]', "evidence.after-tyre-work.touched"),
        (
            "brake-drag.drags = { p = 0.95,",
            "brake-drag.drags = { p = 1.95,",
            "cause.dragging-brake.found.brake-drag.drags",
        ),
    ],
)
def test_a_wrong_key_of_checks_and_findings_is_named_by_its_path(tmp_path: Path, old: str, new: str, path: str) -> None:
    text = resources.files("axlewright_server.diagnosis").joinpath("causes.toml").read_text(encoding="utf-8")
    assert old in text
    file = tmp_path / "mine.toml"
    file.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(KnowledgeError) as caught:
        load_knowledge(file)
    assert path in str(caught.value)


def test_an_empty_knowledge_base_is_told_what_it_begins_with(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text("", encoding="utf-8")
    with pytest.raises(KnowledgeError, match=r"mine\.toml: none: is missing; a knowledge base begins with \[none\]"):
        load_knowledge(file)
