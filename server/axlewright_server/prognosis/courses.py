"""Candidate courses of a daily series, weighed by how well they explain it: Bayesian model averaging in closed form.

A series stood at a level until some day; since then it may have stepped, moved in a straight line, run away (a power of
time; an exponential, but not of a logarithm), settled towards a new level, or moved for a while and stopped. Every
candidate is one column ``f`` of a linear model ``y = b + s f + e`` with noise that is correlated from day to day (duty
and weather last for days: a first-order autoregression, its strength one of :data:`RHOS`). Level ``b``, size ``s`` and
noise are integrated out: flat priors for level and logarithm of the noise, Zellner's for the size with the weight of
one observation. What is left is one number per candidate, its posterior probability, and a Student distribution within
it.

When a course began or ended is tried on a grid of some days, and once more in smaller steps around the best of each
form: where a course is steep, a day's error would count as noise, and noise so large would pass any limit near by.

References
----------
.. [1] J. A. Hoeting, D. Madigan, A. E. Raftery, C. T. Volinsky, "Bayesian model averaging: a tutorial", Statistical
   Science 14 (1999), pp. 382-417 (cited from memory).
.. [2] F. Liang, R. Paulo, G. Molina, M. A. Clyde, J. O. Berger, "Mixtures of g priors for Bayesian variable selection",
   Journal of the American Statistical Association 103 (2008), pp. 410-423 (cited from memory).
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEVEL, STEP, LINE, POWER, GROWTH, SETTLING, ENDED = range(7)
# Prior chance of each family, spread evenly over its members: own choices. Half of all series do nothing; of those that
# move on a straight line, a power and growth by a factor a day are held for equally likely; a move that settles or has
# ended for half as likely as each.
PRIOR = {LEVEL: 0.5, STEP: 0.1, LINE: 0.1, POWER: 0.1, GROWTH: 0.1, SETTLING: 0.05, ENDED: 0.05}
# In a logarithm growth by a factor a day is a straight line; one that runs away in it would grow by a factor that grows
# by a factor, which no wear does.
LOGARITHMIC_PRIOR = PRIOR | {LINE: PRIOR[LINE] + PRIOR[GROWTH], GROWTH: 0.0}
RHOS = (0.0, 0.35, 0.65, 0.85, 0.95)
POWERS = (1.5, 2.0, 3.0)  # wear that feeds itself
GROWTHS_PER_DAY = (0.05, 0.1, 0.2)
SETTLING_DAYS = (4.0, 12.0, 30.0)
LEAST_MOVING_DAYS = 4.0  # a course younger than this can't be told from a step
STEPS = 20  # days between which a change is looked for, over the series
FINER = 6  # parts of a step of that grid around the best candidate of each form
LEAST_MOVE_DAYS = 1.0  # a move that has ended may have lasted as short as this; a shorter one is a step
_NOTHING = 1e-12  # a column with a smaller sum of squares stands still
_RUNAWAY = 30.0  # exponents are cut there: such a course has long passed any limit


# A line is what it is, and so is one that has ended.
_FORMS: dict[int, Callable[[Floats, Floats], Floats]] = {
    LEVEL: lambda moved, _: 0.0 * moved,
    STEP: lambda moved, _: (moved > 0.0).astype(np.float64),
    POWER: lambda moved, shape: moved**shape,
    GROWTH: lambda moved, shape: np.expm1(np.minimum(shape * moved, _RUNAWAY)),
    SETTLING: lambda moved, shape: -np.expm1(-shape * moved),
}


@dataclass(frozen=True)
class Courses:
    """Candidates: ``family``, day ``begin`` of the change, ``shape`` parameter, last day ``end`` of moving; (m,)."""

    family: NDArray[np.int64]
    begin: Floats
    shape: Floats
    end: Floats

    def at(self, days: Floats) -> Floats:
        """Return the candidates' columns, (m, d); `days` of shape (d,) or (m, d)."""
        moved = np.maximum(np.minimum(days, self.end[:, None]) - self.begin[:, None], 0.0)
        for family, formed in _FORMS.items():
            rows = np.flatnonzero(self.family == family)
            if len(rows):
                moved[rows] = formed(moved[rows], self.shape[rows, None])
        return moved

    def take(self, chosen: NDArray[np.int64]) -> Courses:
        """Return some of them, in that order."""
        return Courses(self.family[chosen], self.begin[chosen], self.shape[chosen], self.end[chosen])

    def and_also(self, others: Courses) -> Courses:
        """Return both, in that order."""
        mine, other = ((one.family, one.begin, one.shape, one.end) for one in (self, others))
        family, begin, shape, end = (np.concatenate(both) for both in zip(mine, other, strict=True))
        return Courses(family, begin, shape, end)

    def later(self, days: float) -> Courses:
        """Return the same courses so many days later."""
        return Courses(self.family, self.begin + days, self.shape, self.end + days)


@functools.lru_cache(maxsize=128)
def candidates(span_days: int, logarithmic: bool = False) -> tuple[Courses, Floats, Floats]:
    """Return the candidate courses of a series from day 0 to day `span_days`, their columns on every day of it, and the
    logarithm of each one's prior chance. `logarithmic`: its values are logarithms."""
    of_family = LOGARITHMIC_PRIOR if logarithmic else PRIOR
    last_day = float(span_days)
    grid = np.linspace(-0.5, last_day - 0.5, STEPS)
    old = last_day - LEAST_MOVING_DAYS
    rows: list[tuple[int, float, float, float]] = [(LEVEL, 0.0, 0.0, math.inf)]
    # A step misplaced by a day costs as much as a wrong course: every day is tried.
    rows += [(STEP, day + 0.5, 0.0, math.inf) for day in range(span_days)]
    for begin in grid.tolist():
        if begin > old:
            continue
        rows.append((LINE, begin, 1.0, math.inf))
        rows += [(POWER, begin, power, math.inf) for power in POWERS]
        if of_family[GROWTH]:
            rows += [(GROWTH, begin, rate, math.inf) for rate in GROWTHS_PER_DAY]
        rows += [(SETTLING, begin, 1.0 / days, math.inf) for days in SETTLING_DAYS]
        ends = grid[(grid > begin) & (grid < last_day - 1.0)]
        rows += [(ENDED, begin, 1.0, end) for end in ends.tolist()]
    # What began before the series is a power or an exponential that bends less.
    early = -np.array([15.0, 45.0])
    rows += [(POWER, begin, power, math.inf) for begin in early.tolist() for power in POWERS]
    family, begin, shape, end = (np.array(column, dtype=np.float64) for column in zip(*rows, strict=True))
    kinds = family.astype(np.int64)
    count = np.bincount(kinds, minlength=len(PRIOR)).astype(np.float64)
    prior = np.array([share / count[kind] if count[kind] else 0.0 for kind, share in sorted(of_family.items())])
    courses = Courses(kinds, begin, shape, end)
    return courses, courses.at(np.arange(span_days + 1.0)), np.log(prior[kinds] / prior[kinds].sum())


@dataclass(frozen=True)
class Posterior:
    """What a series makes of the candidates.

    ``prior`` (m,) is the logarithm of each one's prior chance; ``chance`` (rhos, m) sums to 1. Within a candidate the
    noise's variance is ``rest / chi2(count - 1)``, the size normal around ``size`` (of_size: the column's sum of
    squares, whitened), the level around what the size leaves of ``mean_value`` (of_level: the same of a constant).
    Day 0 of ``courses`` is ``first_day``.
    """

    courses: Courses
    first_day: float
    count: int
    prior: Floats
    chance: Floats
    size: Floats
    of_size: Floats
    rest: Floats
    mean_column: Floats
    mean_value: Floats
    of_level: Floats

    def family(self, *kinds: int) -> float:
        """Return the chance that the series is of one of these families."""
        return float(self.chance[:, np.isin(self.courses.family, kinds)].sum())

    def draw(self, count: int, random: np.random.Generator) -> Draws:
        """Return so many courses drawn from it, each with level, size and noise of its own."""
        flat = np.cumsum(self.chance.ravel())
        places = np.searchsorted(flat, (np.arange(count) + random.random()) / count * flat[-1])
        rho, course = np.unravel_index(np.minimum(places, flat.size - 1), self.chance.shape)
        freedom = self.count - 1
        noise = self.rest[rho, course] / random.chisquare(freedom, count)
        shrink = shrinkage(self.count)
        size_sd = np.sqrt(noise * shrink / np.maximum(self.of_size[rho, course], 1e-30))
        size = np.where(
            self.courses.family[course] == LEVEL, 0.0, self.size[rho, course] + size_sd * random.standard_normal(count)
        )
        level = self.mean_value[rho] - size * self.mean_column[rho, course]
        level = level + np.sqrt(noise / self.of_level[rho]) * random.standard_normal(count)
        courses = self.courses.take(course).later(self.first_day)
        return Draws(courses, level, size, np.sqrt(noise), np.array(RHOS)[rho])


@dataclass(frozen=True)
class Draws:
    """Courses drawn from a posterior; all (k,). ``noise_sd`` is of one day's value, correlated ``rho`` a day."""

    courses: Courses
    level: Floats
    size: Floats
    noise_sd: Floats
    rho: Floats

    def at(self, days: Floats) -> Floats:
        """Return the courses themselves, without noise, on days (d,) or (k, d)."""
        return np.asarray(self.level[:, None] + self.size[:, None] * self.courses.at(days))


def shrinkage(count: int) -> float:
    """Return by how much the prior of one observation's weight draws a size towards none."""
    return count / (count + 1.0)


def weigh(days: Floats, values: Floats, least_sd: float, logarithmic: bool = False) -> Posterior:
    """Return what a series makes of the candidate courses.

    Parameters
    ----------
    days, values : ndarray, shape (n,)
        Whole days, ascending, and values without NaN; 4 or more.
    least_sd : float
        The noise is taken for no smaller: what rounding leaves.
    logarithmic : bool
        Whether the values are logarithms.

    Examples
    --------
    >>> days = np.arange(40.0)
    >>> noise = np.random.default_rng(1).normal(0.0, 0.3, 40)
    >>> risen = weigh(days, np.where(days > 20.0, 4.0, 0.0) + noise, 0.01)
    >>> moving = weigh(days, 0.2 * np.maximum(days - 20.0, 0.0) + noise, 0.01)
    >>> risen.family(STEP) > 0.7, moving.family(LINE, POWER, GROWTH) > 0.7
    (True, True)
    """
    places = (days - days[0]).astype(np.int64)
    courses, every, prior = candidates(int(places[-1]), logarithmic)
    coarse = _evidence(days, values, every[:, places], least_sd)
    kept, finer, prior = _refined(courses, prior, np.logaddexp.reduce(coarse[0], axis=0), float(places[-1]))
    fine = _evidence(days, values, finer.at(days - days[0]), least_sd)
    logarithm, size, own, rest, mean_f = (
        np.concatenate((old[:, kept], new), axis=1) for old, new in zip(coarse[:5], fine[:5], strict=True)
    )
    courses = courses.take(kept).and_also(finer)
    logarithm = logarithm + prior + np.where(courses.family == LEVEL, 0.5 * math.log(len(days) + 1.0), 0.0)
    logarithm = np.where((own > _NOTHING) | (courses.family == LEVEL), logarithm, -np.inf)
    chance = np.exp(logarithm - logarithm.max())
    found = (size, own, rest, mean_f, *coarse[5:])
    return Posterior(courses, float(days[0]), len(days), prior, chance / chance.sum(), *found)


def _evidence(days: Floats, values: Floats, columns: Floats, least_sd: float) -> tuple[Floats, ...]:
    """Return what a series makes of columns (m, n) for each of :data:`RHOS`: logarithm of the marginal likelihood but
    for a constant, size, sum of squares of the column, rest, mean of the column, each (rhos, m); mean of the values and
    sum of squares of the constant, (rhos,)."""
    gaps = np.diff(days)
    count, shrink = len(days), shrinkage(len(days))
    found = []
    for rho in RHOS:
        tied = rho**gaps
        scale = 1.0 / np.sqrt(1.0 - tied**2)
        white_one = np.concatenate(([1.0], (1.0 - tied) * scale))
        white_y = np.concatenate((values[:1], (values[1:] - tied * values[:-1]) * scale))
        white_f = np.concatenate((columns[:, :1], (columns[:, 1:] - tied * columns[:, :-1]) * scale), axis=1)
        ones = float(white_one @ white_one)
        mean_y, mean_f = float(white_one @ white_y) / ones, white_f @ white_one / ones
        white_y, white_f = white_y - mean_y * white_one, white_f - mean_f[:, None] * white_one
        own, cross = np.einsum("md,md->m", white_f, white_f), white_f @ white_y
        still = float(white_y @ white_y) + count * least_sd**2
        moves = own > _NOTHING
        gain = np.where(moves, shrink * cross**2 / np.where(moves, own, 1.0), 0.0)
        rest = np.maximum(still - gain, 1e-12 * still)
        logarithm = float(np.log(scale).sum()) - 0.5 * math.log(ones) - 0.5 * (count - 1) * np.log(rest)
        size = np.where(moves, shrink * cross / np.where(moves, own, 1.0), 0.0)
        logarithm = logarithm - 0.5 * math.log(count + 1.0)
        found.append((logarithm, size, own, rest, mean_f, np.array(mean_y), np.array(ones)))
    return tuple(np.stack(column) for column in zip(*found, strict=True))


def _refined(
    courses: Courses, prior: Floats, likelihood: Floats, last_day: float
) -> tuple[NDArray[np.int64], Courses, Floats]:
    """Return which candidates are kept, finer ones instead of the others, and the prior of all of them, in that order.

    Around the likeliest candidate of each form, those within a step of its begin and end give way to as many as a finer
    grid has there, which share their prior chance evenly.
    """
    step = (last_day or 1.0) / (STEPS - 1)
    parts = step * np.linspace(-1.0, 1.0, 2 * FINER + 1)
    gone = np.zeros(len(prior), dtype=bool)
    rows: list[Courses] = []
    added: list[Floats] = []
    for family in (LINE, POWER, GROWTH, SETTLING, ENDED):
        for shape in np.unique(courses.shape[courses.family == family]).tolist():
            form = np.flatnonzero((courses.family == family) & (courses.shape == shape) & (courses.begin >= -0.5))
            if not len(form):
                continue
            best = int(form[np.argmax(likelihood[form])])
            begin, end = float(courses.begin[best]), float(courses.end[best])
            near = np.abs(courses.begin[form] - begin) <= 1.01 * step
            begins, ends = begin + parts, np.full(len(parts), math.inf)
            if family == ENDED:
                near &= np.abs(courses.end[form] - end) <= 1.01 * step
                begins, ends = (each.ravel() for each in np.meshgrid(begins, end + parts, indexing="ij"))
                fits = (ends >= begins + LEAST_MOVE_DAYS) & (ends < last_day)
            else:
                fits = begins <= last_day - LEAST_MOVING_DAYS
            begins, ends = begins[fits], ends[fits]
            if not len(begins):
                continue
            gone[form[near]] = True
            count = len(begins)
            rows.append(Courses(np.full(count, family), begins, np.full(count, shape), ends))
            added.append(np.full(count, np.logaddexp.reduce(prior[form[near]]) - math.log(count)))
    kept = np.flatnonzero(~gone)
    finer = functools.reduce(Courses.and_also, rows, courses.take(kept[:0]))
    return kept, finer, np.concatenate((prior[kept], *added))
