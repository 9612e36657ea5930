"""How fast a charge goes, from a few rough readings, and when it will reach its lower limit.

**One unit.** Its readings since the last recharge, each at one temperature and as a share of the full
value, follow a straight line with errors of standard deviation ``error``. Least squares gives a loss
per year with variance ``error² / spread``, where the spread is the sum of squared distances in time.

**With its peers.** Two readings alone say little, so a unit borrows from units of the same model and
lot. Losses are taken to come from two groups: sound units, a normal distribution around the loss
typical of model and lot, and leakers, a wide one above it. The typical loss of a lot is drawn towards
that of its model and this towards that of all units, by how much each has to say (empirical Bayes with
the moment estimator of DerSimonian and Laird, Control. Clin. Trials 7 (1986) 177); the share of leakers
follows by expectation and maximisation. Given these the answer for a unit is a mixture of two normal
distributions in closed form.

Units of time are years, levels and losses shares of the full value, so 0.02 is 2 % per year. Plain
arrays; nothing here knows what a unit is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Standard deviation of one gauge reading as a share of working pressure: dials of class 4 read in the
# hand, brought to 20 °C with the temperature of the air rather than of the gas. Common practice, no source.
GAUGE_ERROR = 0.020
# The same of one weighing as a share of the charge. Common practice, no source.
MASS_ERROR = 0.006
# How many readings' worth this prior weighs against the scatter that the readings themselves show.
ERROR_WEIGHT = 20.0

# Leakers lose from a little more than sound units to all of it in a few years. Common practice, no source.
LEAKER_MEAN = 0.06
LEAKER_SPREAD = 0.05
LEAKER_SHARE = 0.02
# How many units the share of all weighs against what a model or lot shows of itself.
SHARE_WEIGHT = 40.0
# A fleet of one can still not know that all its units are alike.
LEAST_SPREAD = 0.003

HORIZON_YEARS = 20.0

# An alarm costs a look at a gauge, a missed one a unit that does not work: rather too early.
EARLY_CHANCE = 0.02


@dataclass(frozen=True, slots=True)
class Line:
    """What least squares says of one unit: enough to go on with, whatever the number of readings.

    ``loss`` is ``None`` when all readings are of one day.
    """

    readings: int
    middle: float
    mean_level: float
    spread: float
    loss: float | None
    rest: float


def line(times: list[float], levels: list[float]) -> Line:
    """Fit a straight line to readings at ``times``, in years; positive ``loss`` means falling.

    Raises ``ValueError`` without any reading.
    """
    number = len(times)
    if number == 0 or number != len(levels):
        raise ValueError("A line needs readings, each with its time.")
    middle = math.fsum(times) / number
    mean = math.fsum(levels) / number
    spread = math.fsum((time - middle) ** 2 for time in times)
    if spread <= 1e-9:
        return Line(number, middle, mean, 0.0, None, 0.0)
    slope = (
        math.fsum((time - middle) * (level - mean) for time, level in zip(times, levels, strict=True))
        / spread
    )
    rest = math.fsum(
        (level - mean - slope * (time - middle)) ** 2 for time, level in zip(times, levels, strict=True)
    )
    return Line(number, middle, mean, spread, -slope, rest)


def pooled_error(rest: Floats, readings: Ints, *, prior: float = GAUGE_ERROR) -> float:
    """Return the standard deviation of one reading, from the scatter of all units around their lines.

    The prior keeps a handful of readings from claiming to be exact.
    """
    freedom = np.maximum(readings - 2, 0)
    total = float(rest[freedom > 0].sum())
    # A leaker's line is as straight as a sound one's, but a unit topped up in secret is not: no reading
    # may count for more than nine variances.
    most = 9 * prior**2 * freedom
    total = float(np.minimum(rest, most)[freedom > 0].sum()) if total else 0.0
    return math.sqrt((total + ERROR_WEIGHT * prior**2) / (float(freedom.sum()) + ERROR_WEIGHT))


@dataclass(frozen=True, slots=True)
class Typical:
    """What is typical of groups of units: the losses of sound ones, and the share that is not sound.

    ``mean`` and ``mean_error`` hold one figure per group; ``spread`` is common to all.
    """

    mean: Floats
    mean_error: Floats
    spread: float
    leaker_share: Floats
    overall: float


@dataclass(frozen=True, slots=True)
class Estimates:
    """The loss of each unit together with its peers: a mixture of two normal distributions.

    ``weight`` is the probability of being a leaker; ``low`` and ``high`` hold 90 % between them.
    """

    sound_mean: Floats
    sound_sd: Floats
    leaker_mean: Floats
    leaker_sd: Floats
    weight: Floats
    low: Floats
    high: Floats

    @property
    def loss(self) -> Floats:
        """The expected loss per year."""
        return (1 - self.weight) * self.sound_mean + self.weight * self.leaker_mean


def typical(
    loss: Floats, variance: Floats, model: Ints, lot: Ints, *, rounds: int = 30
) -> tuple[Typical, Typical]:
    """Return what is typical of models and of lots, from units whose own loss is known.

    ``model`` and ``lot`` number the groups from 0; a lot of -1 is unknown and stands for its model.
    Lots are numbered within all units, and each belongs to the model of most of its units.
    """
    models = int(model.max(initial=-1)) + 1
    lots = int(lot.max(initial=-1)) + 1
    overall = float(_weighted_median(loss, 1 / (variance + 0.01**2))) if loss.size else 0.0
    spread = LEAST_SPREAD
    share_all = LEAKER_SHARE
    leaker = np.full(loss.shape, LEAKER_SHARE)
    model_mean, model_error = np.full(models, overall), np.full(models, 0.01)
    lot_mean, lot_error = np.full(lots, overall), np.full(lots, 0.01)
    share_lot, share_model = np.full(lots, LEAKER_SHARE), np.full(models, LEAKER_SHARE)
    home = _model_of_lot(model, lot, models, lots)
    for _ in range(rounds if loss.size else 0):
        sound = 1 - leaker
        inside = 1 / (variance + spread**2)
        overall = float((sound * inside * loss).sum() / max((sound * inside).sum(), 1e-12))
        model_mean, model_error = _shrink(loss, sound * inside, model, models, overall)
        lot_mean, lot_error = _shrink(loss, sound * inside, lot, lots, model_mean[home])
        mean = np.where(lot >= 0, lot_mean[lot] if lots else overall, model_mean[model])
        spread = _spread(loss - mean, variance, sound)
        # A share of leakers per group, drawn towards that of all.
        share_all = (leaker.sum() + 20 * LEAKER_SHARE) / (loss.size + 20)
        share_model = _share(leaker, model, models, np.full(models, share_all))
        share_lot = _share(leaker, lot, lots, share_model[home])
        before = np.where(lot >= 0, share_lot[lot] if lots else share_all, share_model[model])
        leaker = _leaker_weight(loss, variance, mean, spread, before)
    by_model = Typical(model_mean, model_error, spread, share_model, overall)
    by_lot = Typical(lot_mean, lot_error, spread, share_lot, overall)
    return by_model, by_lot


def estimate(
    loss: Floats, variance: Floats, model: Ints, lot: Ints, by_model: Typical, by_lot: Typical
) -> Estimates:
    """Return the loss of each unit together with its peers.

    A unit without a loss of its own (``nan``) gets what is typical of its peers. A model or lot that
    was not among those estimated is given as -1 and falls back to all units.
    """
    mean, error, share = _priors(model, lot, by_model, by_lot)
    prior = by_model.spread**2 + error**2
    known = np.isfinite(loss)
    weight_of_own = np.where(known, 1 / np.where(known, variance, 1.0), 0.0)
    own = np.where(known, loss, 0.0)

    def together(centre: Floats | float, spread: Floats | float) -> tuple[Floats, Floats]:
        precision = 1 / np.asarray(spread) + weight_of_own
        return (centre / np.asarray(spread) + own * weight_of_own) / precision, np.sqrt(1 / precision)

    sound_mean, sound_sd = together(mean, prior)
    leaker_mean, leaker_sd = together(mean + LEAKER_MEAN, LEAKER_SPREAD**2)
    weight = np.where(
        known,
        _leaker_weight(own, np.where(known, variance, 1.0), mean, np.sqrt(prior), share),
        share,
    )
    low = _quantile(0.05, sound_mean, sound_sd, leaker_mean, leaker_sd, weight)
    high = _quantile(0.95, sound_mean, sound_sd, leaker_mean, leaker_sd, weight)
    return Estimates(sound_mean, sound_sd, leaker_mean, leaker_sd, weight, low, high)


def years_to(
    limit: Floats,
    middle_level: Floats,
    readings: Ints,
    error: float,
    found: Estimates,
    *,
    chance: float = EARLY_CHANCE,
    horizon: float = HORIZON_YEARS,
) -> tuple[Floats, Floats]:
    """Return after how many years the limit is reached: expected, and with ``chance`` before.

    Counted from the mean time of the unit's readings, where level and loss are independent of each
    other. ``nan`` beyond the horizon. A level at or under the limit gives 0 for both.
    """
    room = middle_level - limit
    loss = found.loss
    with np.errstate(divide="ignore", invalid="ignore"):
        expected = np.where(room <= 0, 0.0, np.where(loss > 0, room / np.where(loss > 0, loss, 1), np.inf))
    level_variance = error**2 / np.maximum(readings, 1)

    def below(years: Floats) -> Floats:
        total = np.zeros_like(years)
        for share, mean, sd in (
            (1 - found.weight, found.sound_mean, found.sound_sd),
            (found.weight, found.leaker_mean, found.leaker_sd),
        ):
            spread = np.sqrt(level_variance + (years * sd) ** 2)
            total += share * _cdf((years * mean - room) / spread)
        return total

    low, high = np.zeros_like(room), np.full_like(room, horizon)
    never = below(high) < chance
    for _ in range(40):
        middle = (low + high) / 2
        reached = below(middle) >= chance
        high = np.where(reached, middle, high)
        low = np.where(reached, low, middle)
    early = np.where(never, np.nan, high)
    early = np.where(below(np.zeros_like(room)) >= chance, 0.0, early)
    return np.where(expected > horizon, np.nan, expected), early


def chance_of_leak_by(
    years: Floats, limit: Floats, middle_level: Floats, readings: Ints, error: float, found: Estimates
) -> Floats:
    """Return the probability that the level is under the limit after ``years`` from the mean time."""
    room = middle_level - limit
    level_variance = error**2 / np.maximum(readings, 1)
    total = np.zeros_like(room)
    for share, mean, sd in (
        (1 - found.weight, found.sound_mean, found.sound_sd),
        (found.weight, found.leaker_mean, found.leaker_sd),
    ):
        total += share * _cdf((years * mean - room) / np.sqrt(level_variance + (years * sd) ** 2))
    return total


@dataclass(frozen=True, slots=True)
class GroupVerdict:
    """How one group leaks compared with the rest: typical loss, leakers, and whether to look at it."""

    units: int
    loss: float
    loss_error: float
    peers_loss: float
    leakers: float
    is_flagged: bool
    why: str


def judge_group(
    loss: Floats, variance: Floats, weight: Floats, inside: NDArray[np.bool_], spread: float
) -> GroupVerdict:
    """Compare the units ``inside`` a group with all others.

    Flagged when its sound units lose more than the others' by over three standard errors and over
    half a per cent of the charge per year, or when it holds more leakers than chance would put there
    (one in a thousand, binomial). At least four units; fewer say nothing of a group.
    """
    units = int(inside.sum())
    mean, error = _pool(loss[inside], variance[inside] + spread**2, 1 - weight[inside])
    others, others_error = _pool(loss[~inside], variance[~inside] + spread**2, 1 - weight[~inside])
    leakers = float(weight[inside].sum())
    gap = mean - others
    apart = math.hypot(error, others_error)
    base = (float(weight[~inside].sum()) + 1) / (int((~inside).sum()) + 1 / LEAKER_SHARE)
    why = ""
    if units >= 4 and (~inside).any():
        if gap > 0.005 and gap > 3 * apart:
            why = f"loses {gap * 100:.1f} % of its charge a year more than its peers"
        elif leakers >= 2 and _tail(units, base, math.floor(leakers)) < 0.001:
            why = f"{leakers:.0f} of {units} units leak, where {base * units:.1f} would be usual"
    return GroupVerdict(units, mean, error, others, leakers, bool(why), why)


def _priors(model: Ints, lot: Ints, by_model: Typical, by_lot: Typical) -> tuple[Floats, Floats, Floats]:
    overall = np.full(model.shape, by_model.overall)
    found = []
    for values, all_value in (
        ((by_model.mean, by_lot.mean), overall),
        ((by_model.mean_error, by_lot.mean_error), np.full(model.shape, 0.01)),
        ((by_model.leaker_share, by_lot.leaker_share), np.full(model.shape, LEAKER_SHARE)),
    ):
        of_model, of_lot = values
        here = np.where(model >= 0, of_model[model] if of_model.size else all_value, all_value)
        found.append(np.where(lot >= 0, of_lot[lot] if of_lot.size else here, here))
    return found[0], found[1], found[2]


def _shrink(
    loss: Floats, weight: Floats, group: Ints, groups: int, towards: Floats | float
) -> tuple[Floats, Floats]:
    """Draw the mean of each group towards ``towards`` by how much it has to say."""
    inside = group >= 0
    total = np.bincount(group[inside], weight[inside], groups)
    means = np.bincount(group[inside], (weight * loss)[inside], groups) / np.maximum(total, 1e-12)
    target = np.broadcast_to(np.asarray(towards, dtype=np.float64), (groups,))
    seen = total > 0
    # Moment estimator of the variance between groups (DerSimonian and Laird, 1986).
    q = float((total * (means - target) ** 2)[seen].sum())
    scale = float(total.sum() - (total**2).sum() / total.sum()) if total.sum() else 0.0
    between = max(0.0, (q - (int(seen.sum()) - 1)) / scale) if scale > 0 else 0.0
    between = max(between, LEAST_SPREAD**2)
    precision = total + 1 / between
    return (total * means + target / between) / precision, np.sqrt(1 / precision)


def _share(leaker: Floats, group: Ints, groups: int, towards: Floats) -> Floats:
    inside = group >= 0
    number = np.bincount(group[inside], minlength=groups)
    total = np.bincount(group[inside], leaker[inside], groups)
    found: Floats = (total + SHARE_WEIGHT * towards) / (number + SHARE_WEIGHT)
    return found


def _spread(gap: Floats, variance: Floats, sound: Floats) -> float:
    """The spread of sound units around what is typical, beyond what the error of each explains."""
    weight = sound / variance
    total = float(weight.sum())
    if total <= 0:
        return LEAST_SPREAD
    q = float((weight * gap**2).sum())
    scale = total - float((weight**2).sum()) / total
    return math.sqrt(max(LEAST_SPREAD**2, (q - float(sound.sum())) / scale if scale > 0 else 0.0))


def _leaker_weight(
    loss: Floats, variance: Floats, mean: Floats, spread: Floats | float, share: Floats
) -> Floats:
    sound = variance + np.asarray(spread) ** 2
    leaking = variance + LEAKER_SPREAD**2
    log_odds = (
        np.log(share / (1 - share))
        + 0.5 * np.log(sound / leaking)
        + 0.5 * (loss - mean) ** 2 / sound
        - 0.5 * (loss - mean - LEAKER_MEAN) ** 2 / leaking
    )
    # A unit that seems to gain is no leaker, however far out it lies.
    log_odds = np.where(loss < mean, np.minimum(log_odds, np.log(share / (1 - share))), log_odds)
    found: Floats = 1 / (1 + np.exp(-np.clip(log_odds, -40, 40)))
    return found


def _model_of_lot(model: Ints, lot: Ints, models: int, lots: int) -> Ints:
    inside = lot >= 0
    counts = np.zeros((lots, max(models, 1)), dtype=np.int64)
    np.add.at(counts, (lot[inside], model[inside]), 1)
    return counts.argmax(axis=1) if lots else np.zeros(0, dtype=np.int64)


def _weighted_median(values: Floats, weights: Floats) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])


def _pool(loss: Floats, variance: Floats, sound: Floats) -> tuple[float, float]:
    weight = sound / variance
    total = float(weight.sum())
    if total <= 0:
        return 0.0, math.inf
    return float((weight * loss).sum()) / total, math.sqrt(1 / total)


def _tail(number: int, share: float, least: int) -> float:
    """The chance of ``least`` or more out of ``number``, each with probability ``share``."""
    return 1.0 - math.fsum(
        math.comb(number, k) * share**k * (1 - share) ** (number - k) for k in range(min(least, number + 1))
    )


def _quantile(
    at: float, mean: Floats, sd: Floats, other_mean: Floats, other_sd: Floats, weight: Floats
) -> Floats:
    low = np.minimum(mean - 6 * sd, other_mean - 6 * other_sd)
    high = np.maximum(mean + 6 * sd, other_mean + 6 * other_sd)
    for _ in range(50):
        middle = (low + high) / 2
        reached = (1 - weight) * _cdf((middle - mean) / sd) + weight * _cdf(
            (middle - other_mean) / other_sd
        ) >= at
        high = np.where(reached, middle, high)
        low = np.where(reached, low, middle)
    return high


def _cdf(z: Floats) -> Floats:
    """The standard normal distribution function, vectorised; error under 8e-8.

    Abramowitz and Stegun, Handbook of Mathematical Functions, 26.2.17.
    """
    t = 1 / (1 + 0.2316419 * np.abs(z))
    tail = (
        np.exp(-0.5 * z**2)
        * 0.3989422804014327
        * t
        * (0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))))
    )
    return np.where(z >= 0, 1 - tail, tail)
