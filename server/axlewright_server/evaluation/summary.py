"""From the records of runs to the figures that the report shows."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from statistics import median

from axlewright_server.diagnosis.facts import NONE, UNEXPLAINED
from axlewright_server.evaluation.calibration import Coverage, coverage_of
from axlewright_server.evaluation.counting import Outcome, exposure_years, false_alerts, judge, on_right_axle
from axlewright_server.evaluation.forecasts import decided
from axlewright_server.evaluation.intervals import Interval, rate, share
from axlewright_server.evaluation.record import Alert, Forecast, Run, Source, Unit

NOT_TOLD = "(no advisory)"
BINS = 10
ALL_QUANTITIES = "all quantities"
NO_CAUSE = frozenset({NONE, UNEXPLAINED})
DOUBTS = frozenset({"ambiguous", "lines-coincide"})
RIGHT, SPREAD, OUTDONE, WRONG = "right", "right, with what it brought about", "right, then another", "wrong"


@dataclass(frozen=True)
class Case:
    """One faulty truck with its outcome, and where its readings are kept."""

    run: Run
    outcome: Outcome

    @property
    def scenario(self) -> str:
        """Return the scenario's name."""
        event = self.outcome.unit.event
        return "" if event is None else event.scenario or event.causes[0]


@dataclass(frozen=True)
class FalseCall:
    """One false advisory, and where its readings are kept."""

    run: Run
    unit: Unit
    alert: Alert


@dataclass(frozen=True)
class Reliability:
    """One bin of stated probabilities: how many there were, their mean, and how many were true."""

    count: int
    stated: float
    true: Interval


@dataclass(frozen=True)
class Summary:
    """Everything counted of one variant."""

    cases: list[Case]
    hidden: list[Case]
    healthy_false: list[FalseCall]
    healthy_years: float
    other_false: list[FalseCall]
    other_years: float
    harmless: dict[str, tuple[int, int]]
    healthy_recurrences: int
    sources: dict[str, Counter[str]]
    reliability: list[Reliability]
    coverage: dict[str, Coverage] = field(default_factory=dict)
    came: dict[str, Counter[str]] = field(default_factory=dict)

    @property
    def found(self) -> Interval:
        """Return the share of detectable faults that were found before failure."""
        return share(sum(case.outcome.found for case in self.cases), len(self.cases))

    def of_found(self, what: str) -> Interval:
        """Return the share of the found faults for which an :class:`Outcome` property holds."""
        found = [case for case in self.cases if case.outcome.found]
        return share(sum(bool(getattr(case.outcome, what)) for case in found), len(found))

    @property
    def false_rate(self) -> Interval:
        """Return false advisories per vehicle-year on healthy trucks."""
        return rate(len(self.healthy_false), self.healthy_years)

    def false_by(self, what: str) -> Counter[str]:
        """Return the healthy fleet's false advisories by ``cause`` or by ``symptom`` (the keys that they rested on)."""
        if what == "cause":
            return Counter(call.alert.first.cause for call in self.healthy_false)
        return Counter(" + ".join(call.alert.symptoms) for call in self.healthy_false)

    def slow_leads(self) -> list[float]:
        """Return the lead times of slow faults that failed within their run, missed ones as 0. [days]"""
        leads = []
        for case in self.cases:
            unit = case.outcome.unit
            if unit.event is not None and unit.event.slow and _failed(unit):
                leads.append(case.outcome.lead_days or 0.0)
        return leads

    def slow_kilometres(self) -> list[float]:
        """Return the same in km, where the odometer is known."""
        return [
            case.outcome.lead_km if case.outcome.lead_km is not None else 0.0
            for case in self.cases
            if case.outcome.unit.event is not None and case.outcome.unit.event.slow and _failed(case.outcome.unit)
        ]

    @property
    def source_right(self) -> Interval:
        """Return the share of right sources where one was named and nothing said that lines coincide."""
        right, spread, outdone, wrong = (
            sum(one[word] for one in self.sources.values()) for word in (RIGHT, SPREAD, OUTDONE, WRONG)
        )
        return share(right + spread, right + spread + outdone + wrong)


def _failed(unit: Unit) -> bool:
    return unit.event is not None and unit.event.failure_s is not None and unit.event.failure_s <= unit.end_s


def summarise(runs: Sequence[Run]) -> Summary:
    """Return the figures of runs of one variant."""
    cases: list[Case] = []
    hidden: list[Case] = []
    harmless: dict[str, tuple[int, int]] = {}
    healthy_false: list[FalseCall] = []
    other_false: list[FalseCall] = []
    sources: dict[str, Counter[str]] = {}
    stated: list[tuple[float, bool]] = []
    for run in runs:
        of = _by_vehicle(run.alerts)
        for unit in run.units:
            own = of.get(unit.vehicle, [])
            wrong = [FalseCall(run, unit, alert) for alert in false_alerts(unit, own)]
            (healthy_false if run.kind == "healthy" else other_false).extend(wrong)
            if unit.event is None:
                continue
            if unit.event.harmless:
                told, trucks = harmless.get(unit.event.scenario, (0, 0))
                after = sum(call.alert.time_s >= unit.event.onset_s for call in wrong)
                harmless[unit.event.scenario] = (told + after, trucks + 1)
                continue
            case = Case(run, judge(unit, own))
            (cases if unit.event.detectable else hidden).append(case)
            if unit.event.source:
                sources.setdefault(unit.event.source, Counter())[attributed(unit, run.sources)] += 1
        stated += _stated(run, of)
    healthy = [unit for run in runs if run.kind == "healthy" for unit in run.units]
    others = [unit for run in runs if run.kind != "healthy" for unit in run.units]
    return Summary(
        cases=cases,
        hidden=hidden,
        healthy_false=healthy_false,
        healthy_years=exposure_years(healthy),
        other_false=other_false,
        other_years=exposure_years(others),
        harmless=harmless,
        healthy_recurrences=sum(alert.recurrences for run in runs if run.kind == "healthy" for alert in run.alerts),
        sources=sources,
        reliability=reliability(stated),
        coverage=coverage([forecast for run in runs for forecast in run.forecasts]),
        came=came(forecast for run in runs for forecast in run.forecasts),
    )


def coverage(forecasts: Sequence[Forecast]) -> dict[str, Coverage]:
    """Return by quantity, all of them first, how forecasts and the truth fit together; empty without forecasts."""
    if not forecasts:
        return {}
    by_quantity: dict[str, list[Forecast]] = {}
    for one in forecasts:
        by_quantity.setdefault(one.quantity, []).append(one)
    return {
        ALL_QUANTITIES: coverage_of(forecasts),
        **{name: coverage_of(some) for name, some in sorted(by_quantity.items())},
    }


def came(forecasts: Iterable[Forecast]) -> dict[str, Counter[str]]:
    """Return by quantity what came of forecasts: inside, sooner or later than the interval, never, or undecided."""
    found: dict[str, Counter[str]] = {}
    for one in forecasts:
        held = decided(one)
        if held is None:
            word = "undecided"
        elif held:
            word = "inside"
        elif one.truth_days is None:
            word = "never"
        else:
            word = "sooner" if one.early_days is None or one.truth_days < one.early_days else "later"
        found.setdefault(one.quantity, Counter())[word] += 1
    return found


def _by_vehicle(alerts: Iterable[Alert]) -> dict[str, list[Alert]]:
    found: dict[str, list[Alert]] = {}
    for alert in alerts:
        found.setdefault(alert.vehicle, []).append(alert)
    return found


def attributed(unit: Unit, sources: Iterable[Source]) -> str:
    """Return how the source of a fault was named at last.

    That is :data:`RIGHT`, :data:`SPREAD`, :data:`OUTDONE`, :data:`WRONG`, "left open" or "not named". Of several that
    stand the one that was named last counts, but for those that the fault has in truth brought about by the end: they
    shake as well, and naming them is no error, nor is it the fault's own source. Right ones beside such are told apart
    (:data:`SPREAD`). So are those where another that does not shake in truth was named after the right one and stands
    beside it (:data:`OUTDONE`); these do not count as right.
    """
    event = unit.event
    if event is None:
        return "not named"
    standing: dict[tuple[int, str], float] = {}
    for one in sources:
        if one.vehicle != unit.vehicle or not event.onset_s <= one.time_s < unit.horizon_s:
            continue
        if not on_right_axle(unit, one.axle):
            continue
        if one.active:
            standing.setdefault((one.axle, one.name), one.time_s)
        else:
            standing.pop((one.axle, one.name), None)
    names = {name for _, name in standing}
    if names & DOUBTS:
        return "left open"
    if not names:
        return "not named"
    true = {(one.axle, one.source) for one in event.brought_about if one.since_s < unit.horizon_s}
    own = {place: time_s for place, time_s in standing.items() if place not in true}
    if not own:
        return WRONG
    latest = max((time_s, name) for (_, name), time_s in own.items())[1]
    if latest == event.source:
        return RIGHT if len(own) == len(standing) else SPREAD
    return OUTDONE if event.source in names else WRONG


def _stated(run: Run, of: dict[str, list[Alert]]) -> list[tuple[float, bool]]:
    """Return every probability that an advisory stated when it was raised, and whether that cause was true."""
    found: list[tuple[float, bool]] = []
    for unit in run.units:
        for alert in of.get(unit.vehicle, []):
            event = unit.event
            after = event is not None and not event.harmless and event.onset_s <= alert.time_s < unit.horizon_s
            quiet = unit.begin_s <= alert.time_s < unit.quiet_until_s
            if not (after or quiet):
                continue
            true = set(event.causes) if after and event is not None and on_right_axle(unit, alert.axle) else set()
            found += [(p, name in true) for name, p in alert.first.causes if name not in NO_CAUSE]
    return found


def reliability(stated: Sequence[tuple[float, bool]]) -> list[Reliability]:
    """Return stated probabilities in :data:`BINS` equal bins, empty ones left out.

    Examples
    --------
    >>> [(one.count, one.stated) for one in reliability([(0.75, True), (0.75, False), (1.0, True)])]
    [(2, 0.75), (1, 1.0)]
    """
    bins: dict[int, list[tuple[float, bool]]] = {}
    for probability, true in stated:
        bins.setdefault(min(int(probability * BINS), BINS - 1), []).append((probability, true))
    return [
        Reliability(
            len(pairs), sum(p for p, _ in pairs) / len(pairs), share(sum(true for _, true in pairs), len(pairs))
        )
        for _, pairs in sorted(bins.items())
    ]


def confusion(cases: Iterable[Case], at_first: bool) -> dict[tuple[str, str], int]:
    """Return how often a fault of one cause (the truth's best answer) was told under another."""
    counted: Counter[tuple[str, str]] = Counter()
    for case in cases:
        event, outcome = case.outcome.unit.event, case.outcome
        if event is None:
            continue
        version = (outcome.first.first if outcome.first else None) if at_first else outcome.last
        told = NOT_TOLD if version is None else version.cause
        # A second right answer counts as the first: the matrix shows mistakes.
        counted[event.causes[0], event.causes[0] if told in event.causes else told] += 1
    return dict(counted)


@dataclass(frozen=True)
class Curve:
    """A baseline's settings: false calls a vehicle-year on healthy trucks, and share of the detectable faults found."""

    name: str
    points: list[tuple[float, float, float]]

    def at_rate(self, most: float) -> tuple[float, float, float] | None:
        """Return the (setting, rate, share) that finds most with at most so many false calls a vehicle-year."""
        fit = [point for point in self.points if point[1] <= most]
        return max(fit, key=lambda point: (point[2], -point[1])) if fit else None


def curves(runs: Sequence[Run]) -> list[Curve]:
    """Return the curve of each baseline over runs of one variant."""
    false: dict[tuple[str, float], list[float]] = {}
    found: dict[tuple[str, float], list[int]] = {}
    for run in runs:
        asked = [
            number
            for number, unit in enumerate(run.units)
            if unit.event is not None and unit.event.detectable and not unit.event.harmless
        ]
        for one in run.baselines:
            calls = false.setdefault((one.name, one.setting), [0.0, 0.0])
            hits = found.setdefault((one.name, one.setting), [0, 0])
            if run.kind == "healthy":
                calls[0] += one.false_calls
                calls[1] += one.years
            hits[0] += sum(number in one.found for number in asked)
            hits[1] += len(asked)
    names = list(dict.fromkeys(name for name, _ in false))
    return [
        Curve(
            name,
            [
                (setting, false[key][0] / false[key][1], found[key][0] / found[key][1])
                for key in false
                for setting in (key[1],)
                if key[0] == name and false[key][1] > 0.0 and found[key][1]
            ],
        )
        for name in names
    ]


@dataclass(frozen=True)
class Without:
    """The scenario runs without one detector ("": with all): faults found, causes right at last, false advisories."""

    detector: str
    found: int
    right: int
    false: int


def ablation_rows(runs: Sequence[Run]) -> tuple[Without, list[Without], int]:
    """Return the whole, each detector left out, and the number of detectable faults (scenario runs only)."""
    scored = [run for run in runs if run.without]
    names = sorted({name for run in scored for name in run.without if name})
    whole = _scored("", [(run, run.without.get("", run.alerts)) for run in scored])
    rows = [
        _scored(name, [(run, run.without.get(name, run.without.get("", run.alerts))) for run in scored])
        for name in names
    ]
    asked = sum(_asked(unit) for run in scored for unit in run.units)
    return whole, rows, asked


def _asked(unit: Unit) -> bool:
    return unit.event is not None and unit.event.detectable and not unit.event.harmless


def _scored(name: str, runs: Iterable[tuple[Run, Sequence[Alert]]]) -> Without:
    found = right = false = 0
    for run, alerts in runs:
        of = _by_vehicle(alerts)
        for unit in run.units:
            own = of.get(unit.vehicle, [])
            false += len(false_alerts(unit, own))
            if _asked(unit):
                outcome = judge(unit, own)
                found += outcome.found
                right += outcome.last_right
    return Without(name, found, right, false)


def middle(values: Iterable[float | None]) -> float | None:
    """Return the median of what is known, None of nothing."""
    known = [value for value in values if value is not None]
    return median(known) if known else None
