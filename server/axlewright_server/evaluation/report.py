"""Write the report of an evaluation: ``report.html``, ``table.md`` and ``results.json``."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from html import escape
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from axlewright_models import __version__
from axlewright_server.diagnosis.knowledge import load_knowledge
from axlewright_server.evaluation import page, pictures, table
from axlewright_server.evaluation.calibration import Coverage
from axlewright_server.evaluation.calibration import __doc__ as rules_of_forecasts
from axlewright_server.evaluation.counting import __doc__ as rules
from axlewright_server.evaluation.failures import failure_table
from axlewright_server.evaluation.parts import OUTSIDE
from axlewright_server.evaluation.record import Run
from axlewright_server.evaluation.summary import Summary, ablation_rows, curves, summarise

TITLE = "Axlewright: what it finds, how early, and how often it is wrong"


def write_report(runs: Sequence[Run], into: Path, parts: Path, command: str) -> Path:
    """Write the report and return the path of its page.

    Parameters
    ----------
    runs : sequence of Run
        Of one or more variants, the plain one among them.
    into : Path
        Folder of the report.
    parts : Path
        Folder of the runs' readings (for the plots).
    command : str
        What made it, told in the report.
    """
    summaries = {
        name: summarise([run for run in runs if run.variant == name])
        for name in dict.fromkeys(run.variant for run in runs)
    }
    plain = [run for run in runs if run.variant == runs[0].variant]
    summary = summaries[runs[0].variant]
    tables = _tables(summary, plain, summaries)
    into.mkdir(parents=True, exist_ok=True)
    lead = _lead(runs, command)
    (into / "table.md").write_text(_markdown(lead, tables), encoding="utf-8")
    (into / "results.json").write_text(
        json.dumps(_results(summaries, plain, command), indent=1) + "\n", encoding="utf-8"
    )
    html = page.page_html(
        TITLE, "".join(f"<p>{escape(line)}</p>" for line in lead), _sections(summary, plain, tables, parts)
    )
    path = into / "report.html"
    path.write_text(html, encoding="utf-8")
    return path


def _tables(summary: Summary, plain: Sequence[Run], summaries: dict[str, Summary]) -> dict[str, list[table.Table]]:
    """Return the tables by the section that they belong to."""
    found = {
        "Aims": [table.aims(summary)],
        "Faults": [table.by_scenario(summary.cases, "Found, delay, lead and cause, by scenario")],
        "False advisories": table.false_tables(summary),
        "Vibration sources": [table.source_table(summary)],
    }
    if summary.came:
        found["Forecasts"] = [table.forecast_table(summary)]
    if any(run.alerts for run in plain):
        found.setdefault("Forecasts", []).append(failure_table(plain, load_knowledge()))
    if summary.hidden:
        found["Faults"].append(table.hidden_reasons(summary.hidden))
    drawn = curves(plain)
    if drawn:
        found["Simple alarms"] = [table.baseline_table(summary, drawn)]
    if any(run.without for run in plain):
        found["Detectors"] = [table.ablation_table(*ablation_rows(plain))]
    if len(summaries) > 1:
        found["Worse conditions"] = [table.robustness_table(summaries)]
    return found


def _lead(runs: Sequence[Run], command: str) -> list[str]:
    seeds = sorted({run.seed for run in runs})
    readings = sum(run.readings for run in runs)
    seconds = sum(run.seconds for run in runs)
    libraries = ", ".join(f"{name} {_version(name)}" for name in ("numpy", "river", "ruptures"))
    codes = ", ".join(sorted({run.code for run in runs}))
    if all(run.key == OUTSIDE for run in runs):
        origin, whence = "", "Readings and truth were made elsewhere and are taken as they are."
    else:
        origin = f"first seeds of the parts: {', '.join(map(str, seeds))}; "
        whence = (
            "Trucks, faults and readings are simulated, by physics that the detectors do not share and that was not "
            "tuned to them."
        )
    return [
        f"Made by: {command}",
        f"Version {__version__}, code {codes}; {origin}"
        f"{readings:,} readings in {seconds / 60:.0f} minutes; {libraries}.",
        f"{whence} Figures are as measured; intervals are 95 %, exact (Clopper-Pearson, Garwood).",
    ]


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


def _markdown(lead: Sequence[str], tables: dict[str, list[table.Table]]) -> str:
    parts = [f"# {TITLE}", "", *lead, ""]
    for name, listed in tables.items():
        parts += [f"## {name}", ""]
        for one in listed:
            parts += [one.markdown, ""]
    return "\n".join(parts)


def _sections(
    summary: Summary, plain: Sequence[Run], tables: dict[str, list[table.Table]], parts: Path
) -> list[tuple[str, str]]:
    html = {name: "".join(page.table_html(one) for one in listed) for name, listed in tables.items()}
    html["Faults"] += f"<figure>{pictures.lead_picture(_leads(summary))}</figure>"
    drawn = curves(plain)
    if drawn:
        own = (summary.false_rate.value if summary.healthy_years else 0.0, summary.found.value)
        html["Simple alarms"] += f"<figure>{pictures.curve_picture(drawn, own)}</figure>"
    causes = "".join(page.confusion_html(summary.cases, at_first) for at_first in (True, False))
    worst = page.worst_cases(summary)
    links = "".join(f"<li><a href='#{one.anchor}'>{escape(one.title)}</a>: {escape(one.reason)}</li>" for one in worst)
    cases = f"<ul>{links}</ul>" + "".join(page.case_html(one, parts) for one in worst)
    sections = [("Against the aims", html.pop("Aims")), ("Faults, by scenario", html.pop("Faults")), ("Causes", causes)]
    sections += [("Stated probabilities", f"<figure>{pictures.reliability_picture(summary.reliability)}</figure>")]
    sections += list(html.items())
    counted = f"{rules or ''}\n{rules_of_forecasts or ''}"
    return [*sections, ("Cases to look at", cases), ("How it is counted", f"<pre>{escape(counted)}</pre>")]


def _leads(summary: Summary) -> list[tuple[str, list[float], int]]:
    rows: dict[str, tuple[list[float], int]] = {}
    for case in summary.cases:
        unit = case.outcome.unit
        if unit.event is None or unit.event.failure_s is None or unit.event.failure_s > unit.end_s:
            continue
        values, missed = rows.get(case.scenario, ([], 0))
        known = case.outcome.lead_days
        rows[case.scenario] = (values if known is None else [*values, known], missed + (known is None))
    return [(name, values, missed) for name, (values, missed) in sorted(rows.items())]


def _results(summaries: dict[str, Summary], plain: Sequence[Run], command: str) -> dict[str, Any]:
    """Return the figures as numbers, for programs."""
    return {
        "command": command,
        "version": __version__,
        "variants": {
            name: {
                "detectable_faults": len(one.cases),
                "healthy_vehicle_years": round(one.healthy_years, 3),
                "found": _interval(one.found),
                "first_cause_right_when_raised": _interval(one.of_found("first_right")),
                "first_cause_right_at_last": _interval(one.of_found("last_right")),
                "among_three_when_raised": _interval(one.of_found("first_among_three")),
                "among_three_at_last": _interval(one.of_found("last_among_three")),
                "source_right": _interval(one.source_right),
                "false_per_vehicle_year": _interval(one.false_rate),
                "false_by_cause": dict(one.false_by("cause")),
                "slow_lead_days": [round(value, 2) for value in one.slow_leads()],
                "coverage": {key: _covered(value) for key, value in one.coverage.items()},
                "reliability": [asdict(bin) | {"true": list(bin.true)} for bin in one.reliability],
            }
            for name, one in summaries.items()
        },
        "baselines": {curve.name: [list(point) for point in curve.points] for curve in curves(plain)},
        "parts": [
            {"key": run.key, "arguments": list(run.arguments), "seconds": round(run.seconds, 1)} for run in plain
        ],
    }


def _covered(covered: Coverage) -> dict[str, float | list[float | None] | None]:
    before, after = _interval((covered.before, covered.after))
    return {
        "within": _interval(covered.within),
        "before": before,
        "after": after,
        "forecasts": covered.forecasts,
        "axles": covered.axles,
        "passed": covered.passed,
    }


def _interval(value: Iterable[float]) -> list[float | None]:
    return [None if number != number else round(number, 5) for number in value]
