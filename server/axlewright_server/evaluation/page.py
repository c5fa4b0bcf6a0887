"""The report as one HTML file: no script, style sheet or font from elsewhere; grey, colour only for the abnormal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

from axlewright_server.evaluation import series
from axlewright_server.evaluation.record import Alert, Run, Unit
from axlewright_server.evaluation.summary import NOT_TOLD, Case, Summary, confusion
from axlewright_server.evaluation.table import Table
from axlewright_server.evaluation.truck_picture import truck_picture

STYLE = """
body { font-family: system-ui, sans-serif; color: #333; background: #f4f4f4 }
body { margin: 2rem auto; max-width: 68rem; padding: 0 1rem }
h1, h2, h3 { font-weight: 600 } h2 { margin-top: 2.5rem; border-bottom: 1px solid #b0b0b0 }
table { border-collapse: collapse; margin: 0.8rem 0; font-size: 0.86rem }
@media (max-width: 60rem) { table { display: block; overflow-x: auto } }
th, td { border: 1px solid #d0d0d0; padding: 0.2rem 0.5rem }
th { background: #e4e4e4; text-align: left } td { background: #fff } .short { color: #c62828; font-weight: 600 }
pre { overflow-x: auto } .note { color: #666; font-size: 0.86rem; max-width: 60rem }
figure { background: #fff; border: 1px solid #d0d0d0; margin: 1rem 0; padding: 0.6rem; overflow-x: auto }
figcaption { font-size: 0.9rem } .matrix th.up { writing-mode: vertical-rl; transform: rotate(180deg) }
.matrix th.up { vertical-align: bottom } .matrix td { text-align: center }
.matrix td.right { outline: 2px solid #777; outline-offset: -2px } .matrix td.wrong { color: #c62828; font-weight: 600 }
"""
MOST_CASES = 6


@dataclass(frozen=True)
class Worst:
    """One case that a reader should look at: its anchor, why it is here, whose readings, and what was said."""

    anchor: str
    reason: str
    run: Run
    unit: Unit
    alerts: tuple[Alert, ...]

    @property
    def title(self) -> str:
        """Return who and what."""
        event = self.unit.event
        what = "healthy" if event is None else event.scenario or event.causes[0]
        axle = "" if event is None or not event.axle else f", axle {event.axle}"
        return f"{self.unit.vehicle}{axle}: {what}"


def worst_cases(summary: Summary) -> list[Worst]:
    """Return some of the faults that were missed, found late or called something else, and of the false advisories."""
    missed = [case for case in summary.cases if not case.outcome.found]
    found = [case for case in summary.cases if case.outcome.found]
    late = sorted((c for c in found if c.outcome.lead_days is not None), key=lambda c: c.outcome.lead_days or 0.0)
    wrong = [case for case in found if not case.outcome.last_right]
    picked: list[tuple[str, Run, Unit]] = []
    picked += [("missed", case.run, case.outcome.unit) for case in _spread(missed)]
    picked += [("least warning", case.run, case.outcome.unit) for case in late[:MOST_CASES]]
    picked += [("named something else at last", case.run, case.outcome.unit) for case in _spread(wrong)]
    seen: set[str] = set()
    for call in summary.healthy_false:
        kind = call.alert.first.cause
        if kind not in seen and len(seen) < MOST_CASES:
            seen.add(kind)
            picked.append((f"false advisory: {kind}", call.run, call.unit))
    worst: dict[tuple[str, str], Worst] = {}
    for reason, run, unit in picked:
        key = (run.key, unit.vehicle)
        if key in worst:
            continue
        own = tuple(alert for alert in run.alerts if alert.vehicle == unit.vehicle)
        worst[key] = Worst(f"case-{len(worst) + 1}", reason, run, unit, own)
    return list(worst.values())


def _spread(cases: Sequence[Case]) -> list[Case]:
    """Return a few cases, of as many different scenarios as there are."""
    first: dict[str, Case] = {}
    for case in cases:
        first.setdefault(case.scenario, case)
    rest = [case for case in cases if case not in first.values()]
    return [*first.values(), *rest][: 2 * MOST_CASES]


def table_html(table: Table) -> str:
    """Return a table with its title and note."""
    head = "".join(f"<th>{escape(cell)}</th>" for cell in table.head)
    body = "".join(f"<tr>{''.join(_cell(cell) for cell in row)}</tr>" for row in table.rows)
    note = f"<p class='note'>{escape(table.note)}</p>" if table.note else ""
    return f"<h3>{escape(table.title)}</h3><table><tr>{head}</tr>{body}</table>{note}"


def _cell(words: str) -> str:
    return f"<td class='short'>▼ {escape(words)}</td>" if words == "SHORT" else f"<td>{escape(words)}</td>"


def confusion_html(cases: Iterable[Case], at_first: bool) -> str:
    """Return the confusion matrix: true causes down, told causes across; mistakes are red, right answers framed."""
    counted = confusion(cases, at_first)
    true = sorted({row for row, _ in counted})
    told = sorted({column for _, column in counted} | set(true), key=lambda name: (name == NOT_TOLD, name))
    head = "".join(f"<th class='up'>{escape(name)}</th>" for name in told)
    lines = []
    for name in true:
        cells = "".join(_count_cell(counted.get((name, column), 0), name == column) for column in told)
        lines.append(f"<tr><th>{escape(name)}</th>{cells}</tr>")
    when = "when first raised" if at_first else "at last, before failure or end"
    title = f"<h3>Causes: true (down) and told (across), {when}</h3>"
    return f"{title}<table class='matrix'><tr><th></th>{head}</tr>{''.join(lines)}</table>"


def _count_cell(count: int, right: bool) -> str:
    if not count:
        return "<td></td>" if not right else "<td class='right'></td>"
    return f"<td class='{'right' if right else 'wrong'}'>{count}</td>"


def case_html(case: Worst, folder: Path) -> str:
    """Return one case with its plot."""
    kept = series.read(folder / f"{case.run.key}.npz", case.unit.vehicle)
    picture = (
        "<p class='note'>No readings were kept of this truck.</p>"
        if kept is None
        else truck_picture(kept, case.unit, case.alerts, case.title)
    )
    event = case.unit.event
    severity = (
        ""
        if event is None or event.severity is None
        else f" Severity {event.severity:.3g} ({escape(event.severity_meaning)})."
    )
    caption = f"<b>{escape(case.title)}</b>: {escape(case.reason)}. Run {escape(case.run.key)}.{severity}"
    return f"<figure id='{case.anchor}'><figcaption>{caption}</figcaption>{picture}</figure>"


def page_html(title: str, lead: str, sections: Iterable[tuple[str, str]]) -> str:
    """Return the whole page from its sections (title, HTML)."""
    listed = list(sections)
    contents = "".join(f"<li><a href='#s{number}'>{escape(name)}</a></li>" for number, (name, _) in enumerate(listed))
    body = "".join(f"<h2 id='s{number}'>{escape(name)}</h2>{html}" for number, (name, html) in enumerate(listed))
    return (
        "<!doctype html><html lang='en'><head><meta charset='utf-8'>"
        "<meta name='viewport' content='width=device-width'>"
        f"<title>{escape(title)}</title><style>{STYLE}</style></head>"
        f"<body><h1>{escape(title)}</h1>{lead}<ol>{contents}</ol>{body}</body></html>\n"
    )
