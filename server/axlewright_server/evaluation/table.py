"""The report's tables, as rows of words: the Markdown table and the page show the same."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from axlewright_server.evaluation.calibration import Coverage
from axlewright_server.evaluation.intervals import Interval, rate
from axlewright_server.evaluation.parts import VARIANT_TITLES
from axlewright_server.evaluation.summary import (
    ALL_QUANTITIES,
    OUTDONE,
    RIGHT,
    SPREAD,
    WRONG,
    Case,
    Curve,
    Summary,
    Without,
    middle,
)

# What the project set out to reach: name, words, and whether a value reaches it.
AIM_FOUND, AIM_LEAD_DAYS, AIM_FALSE, AIM_FIRST, AIM_THREE, AIM_SOURCE = 0.95, 14.0, 0.2, 0.85, 0.97, 0.95
_TOO_SOON = "the readings end before any interval does"


@dataclass(frozen=True)
class Table:
    """A table with a title, a head and rows of words; `note` stands beneath it."""

    title: str
    head: tuple[str, ...]
    rows: Sequence[tuple[str, ...]]
    note: str = ""

    @property
    def markdown(self) -> str:
        """Return the table as Markdown."""
        lines = [f"### {self.title}", "", f"| {' | '.join(self.head)} |", f"|{'---|' * len(self.head)}"]
        lines += [f"| {' | '.join(cell.replace('|', '/') for cell in row)} |" for row in self.rows]
        return "\n".join(lines + (["", self.note] if self.note else []))


def percent(interval: Interval) -> str:
    """Return a share in words, with its interval."""
    if math.isnan(interval.value):
        return "–"
    return f"{100 * interval.value:.1f} % ({100 * interval.low:.0f} to {100 * interval.high:.0f})"


def per_year(interval: Interval) -> str:
    """Return a rate in words, with its interval."""
    return "–" if math.isnan(interval.value) else f"{interval.value:.2f} ({interval.low:.2f} to {interval.high:.2f})"


def one(value: float | None, form: str = ".1f") -> str:
    """Return a number in words, a dash for none."""
    return "–" if value is None or math.isnan(value) else format(value, form)


def of(count: int, total: int) -> str:
    """Return a count of a total."""
    return f"{count}/{total}" if total else "–"


def verdict(reached: bool | None) -> str:
    """Return whether an aim was reached, in words."""
    return "not measured" if reached is None else "reached" if reached else "SHORT"


def aims(summary: Summary) -> Table:
    """Return the figures against what was aimed at."""
    leads, kilometres = summary.slow_leads(), summary.slow_kilometres()
    lead = median(leads) if leads else math.nan
    rows = [
        _aim("found before functional failure, of detectable faults", "at least 95 %", summary.found, AIM_FOUND),
        (
            "median lead time on slow faults that fail within their run (missed ones count 0)",
            "at least 14 days",
            f"{one(lead)} days, {one(median(kilometres) if kilometres else None, ',.0f')} km ({len(leads)} faults)",
            verdict(None if not leads else lead >= AIM_LEAD_DAYS),
        ),
        (
            "false advisories per healthy vehicle-year",
            "at most 0.2",
            f"{per_year(summary.false_rate)}; {len(summary.healthy_false)} in {summary.healthy_years:.1f} years",
            verdict(None if not summary.healthy_years else summary.false_rate.value <= AIM_FALSE),
        ),
        _aim("first cause right, when first raised", "at least 85 %", summary.of_found("first_right"), AIM_FIRST),
        _aim("first cause right, at last", "at least 85 %", summary.of_found("last_right"), AIM_FIRST),
        _aim(
            "right cause among first three, when first raised",
            "at least 97 %",
            summary.of_found("first_among_three"),
            AIM_THREE,
        ),
        _aim(
            "right cause among first three, at last", "at least 97 %", summary.of_found("last_among_three"), AIM_THREE
        ),
        _aim("vibration source right, where orders separate", "at least 95 %", summary.source_right, AIM_SOURCE),
    ]
    for quantity, covered in summary.coverage.items() or (("", None),):
        rows.append(_covered(quantity, covered))
    note = "Coverage counts every forecast up to where its readings go (Kaplan and Meier); see the table of forecasts."
    return Table("Against the aims", ("figure", "aim", "measured (95 % interval)", ""), rows, note)


def _covered(quantity: str, covered: Coverage | None) -> tuple[str, str, str, str]:
    of = f" of {quantity}" if quantity else ""
    words = f"80 % intervals{of} that held the truth"
    if covered is None:
        return words, "72 to 88 %", "no forecasts", verdict(None)
    value = covered.within.value
    if math.isnan(value):
        some = f"{100.0 * covered.within.low:.0f} to {100.0 * covered.within.high:.0f} %"
        told = f"not known, {some}: {_TOO_SOON}; {covered.forecasts} forecasts of {covered.axles} axles"
        return words, "72 to 88 %", told, verdict(None)
    told = f"{percent(covered.within)}; {covered.forecasts} forecasts of {covered.axles} axles"
    return words, "72 to 88 %", told, verdict(0.72 <= value <= 0.88)


def _aim(words: str, aim: str, value: Interval, least: float) -> tuple[str, str, str, str]:
    reached = None if math.isnan(value.value) else value.value >= least
    return words, aim, percent(value), verdict(reached)


def by_scenario(cases: Iterable[Case], title: str) -> Table:
    """Return one row per scenario."""
    groups: dict[str, list[Case]] = {}
    for case in cases:
        groups.setdefault(case.scenario, []).append(case)
    rows = []
    for name in sorted(groups):
        outcomes = [case.outcome for case in groups[name]]
        found = [outcome for outcome in outcomes if outcome.found]
        failing = [outcome.unit.event is not None and outcome.unit.event.failure is not None for outcome in outcomes]
        rows.append(
            (
                name,
                of(len(found), len(outcomes)),
                str(sum(outcome.other_axle for outcome in outcomes)),
                one(middle(outcome.delay_days for outcome in found)),
                str(sum(failing)),
                one(middle(outcome.lead_days for outcome in found)),
                one(middle(outcome.lead_km for outcome in found), ",.0f"),
                of(sum(outcome.first_right for outcome in found), len(found)),
                of(sum(outcome.last_right for outcome in found), len(found)),
                of(sum(outcome.last_among_three for outcome in found), len(found)),
            )
        )
    head = (
        "scenario", "found", "other axle only", "delay, days", "failed in run", "lead, days", "lead, km",
        "cause right at first", "at last", "among three",
    )  # fmt: skip
    return Table(title, head, rows, "Delay and lead are medians of those found.")


def hidden_reasons(cases: Sequence[Case]) -> Table:
    """Return the faults that the fitted sensors cannot show, with the reason and what was found all the same."""
    groups: dict[tuple[str, str], list[Case]] = {}
    for case in cases:
        event = case.outcome.unit.event
        groups.setdefault((case.scenario, "" if event is None else event.reason), []).append(case)
    rows = [
        (name, reason, of(sum(case.outcome.found for case in own), len(own)))
        for (name, reason), own in sorted(groups.items())
    ]
    return Table(
        "Not detectable by the sensors fitted (left out above)", ("scenario", "reason", "found all the same"), rows
    )


def false_tables(summary: Summary) -> list[Table]:
    """Return the false advisories by kind, on the healthy fleet and elsewhere."""
    years = summary.healthy_years
    tables = []
    for what, title in (
        ("cause", "False advisories on healthy trucks, by cause"),
        ("symptom", "The same by the symptoms that they rested on"),
    ):
        counted = summary.false_by(what).most_common(25)
        rows = [(name or "(none)", str(count), per_year(rate(count, years))) for name, count in counted]
        rows.append(("all", str(len(summary.healthy_false)), per_year(summary.false_rate)))
        note = f"{years:.1f} healthy vehicle-years, learning time included; superseded and sensor advisories count."
        if what == "cause":
            note += f" Advisories that cleared and came back (not counted again): {summary.healthy_recurrences}."
        tables.append(Table(title, (what, "count", "per vehicle-year"), rows, note))
    other = rate(len(summary.other_false), summary.other_years)
    events = [(name, f"{told} on {trucks} trucks") for name, (told, trucks) in sorted(summary.harmless.items())]
    events.append(
        (
            "all trucks of scenarios, before the onset or on harmless events",
            f"{len(summary.other_false)}; {per_year(other)} per vehicle-year",
        )
    )
    tables.append(Table("False advisories on harmless events, and before faults", ("event", "advisories"), events))
    return tables


def source_table(summary: Summary) -> Table:
    """Return the vibration sources: right, wrong, left open because lines coincide, not named."""
    words = (RIGHT, SPREAD, OUTDONE, WRONG, "left open", "not named")
    rows = [(name, *(str(counter[word]) for word in words)) for name, counter in sorted(summary.sources.items())]
    return Table(
        "Vibration source, as named before the failure or end",
        ("true source", *words),
        rows,
        "Left open: the monitor said that lines coincide or two sources explain as well. With what it "
        "brought about: the right source stands, and beside it one that the fault has in truth set going by then (lube "
        "lost through a loose bearing starves the gears); counted as right. Then another: the right source was named "
        "and stands, and after it one that does not shake in truth; not counted as right.",
    )


def forecast_table(summary: Summary) -> Table:
    """Return what came of the forecasts of each quantity."""
    words = ("inside", "sooner", "later", "never", "undecided")
    rows = []
    for name, covered in summary.coverage.items():
        counter = sum(summary.came.values(), Counter()) if name == ALL_QUANTITIES else summary.came[name]
        shares = (covered.before, covered.within.value, covered.after)
        told = ("–" if math.isnan(one) else f"{100.0 * one:.0f} %" for one in shares)
        rows.append((name, str(covered.axles), *told, *(str(counter[word]) for word in words)))
    note = (
        "Made every third day on every truck of a scenario. The shares count each forecast up to where its readings "
        "go: the curve of Kaplan and Meier over the forecast's own distribution at the time of the truth; 10, 80 and "
        "10 % would be right of intervals with two ends, 20, 80 and none of open ones; "
        f"–: {_TOO_SOON}. The counts beside them are for reading: sooner, later: the limit was "
        "passed before or after the 80 % interval. Never: the interval went by and the limit was not passed. "
        "Undecided: the readings end too soon. An interval may be open at its late end; what is not passed before its "
        "early end then lies inside."
    )
    head = ("quantity", "axles", "before", "within", "after", *words)
    return Table("Forecasts, and what came", head, rows, note)


def baseline_table(summary: Summary, curves: Sequence[Curve]) -> Table:
    """Return each baseline at a false-alarm rate no higher than ours, and at five times that."""
    own = summary.false_rate.value if summary.healthy_years else math.nan
    rows = [("Axlewright", "as delivered", one(own, ".2f"), percent(summary.found), "")]
    for curve in curves:
        at = None if math.isnan(own) else curve.at_rate(own)
        lowest = min(curve.points, key=lambda point: point[1], default=None)
        loose = None if math.isnan(own) else curve.at_rate(max(5.0 * own, 1.0))
        wider = "–" if loose is None else f"{100 * loose[2]:.0f} % at {loose[1]:.2f} (setting {loose[0]:g})"
        if at is not None:
            rows.append((curve.name, f"{at[0]:g}", f"{at[1]:.2f}", f"{100 * at[2]:.1f} %", wider))
        elif lowest is not None:
            rows.append(
                (curve.name, f"{lowest[0]:g}", f"{lowest[1]:.2f}: never as few", f"{100 * lowest[2]:.1f} %", wider)
            )
    note = (
        "Each baseline at the setting that finds most with no more false calls than ours; the last column allows five "
        "times as many, at least one a year. Baselines may learn for 14 days before anything counts and name no cause."
    )
    return Table(
        "Against simple alarms at an equal false-alarm rate",
        ("method", "setting", "false calls per vehicle-year", "faults found", "with more false calls allowed"),
        rows,
        note,
    )


def ablation_table(whole: Without, rows: Sequence[Without], asked: int) -> Table:
    """Return what each detector adds."""
    body = [("all detectors", of(whole.found, asked), of(whole.right, asked), str(whole.false))]
    body += [
        (
            f"without {row.detector}",
            f"{of(row.found, asked)} ({row.found - whole.found:+d})",
            f"{of(row.right, asked)} ({row.right - whole.right:+d})",
            f"{row.false} ({row.false - whole.false:+d})",
        )
        for row in rows
    ]
    return Table(
        "Each detector left out in turn (trucks of scenarios)",
        ("run", "found", "cause right at last", "false advisories"),
        body,
        "Decisions are made anew from the same symptoms, every six hours and without recorded repairs (so the first "
        "row may differ from the figures above); learning that paused for a dropped symptom stays as it was.",
    )


def robustness_table(summaries: dict[str, Summary]) -> Table:
    """Return the figures of each worse condition beside those as simulated."""
    rows = []
    for name, summary in summaries.items():
        leads = summary.slow_leads()
        rows.append(
            (
                VARIANT_TITLES.get(name, name),
                f"{len(summary.cases)} faults, {summary.healthy_years:.0f} years",
                percent(summary.found),
                f"{one(median(leads) if leads else None)} days",
                percent(summary.of_found("first_right")),
                percent(summary.of_found("last_right")),
                percent(summary.of_found("last_among_three")),
                per_year(summary.false_rate),
                percent(summary.source_right),
            )
        )
    head = (
        "condition",
        "of",
        "found",
        "slow lead",
        "cause right at first",
        "at last",
        "among three",
        "false per year",
        "source right",
    )
    return Table("Under worse conditions", head, rows)
