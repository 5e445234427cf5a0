"""What a probe is worth: money gained because it can change what is done.

Nothing is ripped that nobody dug, so the answer without a probe is to leave the ground,
worth nothing. A probe is worth what ripping brings where it confirms a layer that is
there, less what ripping costs where it confirms one that is not. What is done with a
finding is what the decision table does: a confirmed layer is ripped, all else is left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from scipy.special import ndtr

if TYPE_CHECKING:
    from collections.abc import Sequence

    from trafficmap.core.settings.zones import ZoneSettings

CONFIDENCE = 1.645
"""Two-sided 90 % of a normal spread."""


@dataclass(frozen=True)
class Odds:
    """How often a finding is right.

    Parameters
    ----------
    found : float
        Chance that it says layer where there is one. [fraction]
    clear : float
        Chance that it says none where there is none. [fraction]
    """

    found: float
    clear: float


@dataclass(frozen=True)
class Stake:
    """What hangs on one piece of ground.

    Parameters
    ----------
    prior : float
        Chance of a layer in reach before anyone looks. [fraction]
    gain : float
        Net of ripping where the layer is there. [currency]
    waste : float
        Cost of ripping where it is not. [currency]
    """

    prior: float
    gain: float
    waste: float

    @property
    def break_even(self) -> float:
        """Chance of a layer from which on ripping pays; 1 where it never does."""
        if self.gain <= 0:
            return 1.0
        return self.waste / (self.gain + self.waste)

    def net(self, chance: float) -> float:
        """Return the expected net of ripping at a chance of a layer [currency]."""
        return chance * self.gain - (1.0 - chance) * self.waste


@dataclass(frozen=True)
class Earlier:
    """What was read in a zone before, and did not settle it.

    Parameters
    ----------
    stops : int
        Stops with a twin.
    ratio : float
        Middle of their ratios to their twins, NaN with none. [unitless]
    plates : bool or None
        What holes showed; None where nobody dug.
    """

    stops: int = 0
    ratio: float = math.nan
    plates: bool | None = None


def readings_needed(spread: float, *, within: float) -> int:
    """Return how many readings put their mean within a share of the truth.

    n = (1.645 s / e)^2, rounded up: nine times in ten the mean of n readings with a
    coefficient of variation s lies within e of the mean of all.

    Parameters
    ----------
    spread : float
        Coefficient of variation of the readings. [fraction]
    within : float
        Wanted precision, either way. [fraction]

    Returns
    -------
    int
        At least 1.

    Notes
    -----
    The usual size of a sample for a mean; 0.30 for the spread of cone readings in one
    piece of ground is from memory.

    Examples
    --------
    >>> [readings_needed(0.30, within=e) for e in (0.15, 0.20, 0.25)]
    [11, 7, 4]
    """
    return max(1, math.ceil((CONFIDENCE * spread / within) ** 2 - 1e-9))


def precision_of(spread: float, *, readings: int) -> float:
    """Return how near the mean of `readings` lies, nine times in ten [fraction].

    Examples
    --------
    >>> round(precision_of(0.30, readings=10), 3)
    0.156
    """
    return CONFIDENCE * spread / math.sqrt(readings)


def stop_odds(settings: ZoneSettings, *, spread: float | None = None) -> Odds:
    """Return how often one stop, a push in the track and one beside it, is right.

    The logarithm of the ratio of both readings spreads by s sqrt(2) around that of
    the true ratio. A stop says layer when the ratio reaches ``confirm_ratio``. Where
    there is a layer the true ratio is taken as ``layer_ratio``, else as 1.

    Parameters
    ----------
    settings : ZoneSettings
    spread : float, optional
        Coefficient of variation of readings; ``probe_spread`` if not given.

    Notes
    -----
    Two normal errors of the same size; the limits are choices.

    Examples
    --------
    >>> from trafficmap.core.settings.zones import ZoneSettings
    >>> odds = stop_odds(ZoneSettings())
    >>> round(odds.found, 3), round(odds.clear, 3)
    (0.701, 0.701)
    """
    error = (settings.probe_spread if spread is None else spread) * math.sqrt(2.0)
    limit = math.log(settings.confirm_ratio)
    return Odds(
        found=float(ndtr((math.log(settings.layer_ratio) - limit) / error)),
        clear=float(ndtr(limit / error)),
    )


def updated(prior: float, *, found: int, stops: int, odds: Odds) -> float:
    """Return the chance of a layer after `found` of `stops` said layer (Bayes).

    Examples
    --------
    >>> round(updated(0.3, found=1, stops=1, odds=Odds(0.8, 0.8)), 4)
    0.6316
    """
    return _bayes(
        prior,
        odds.found**found * (1.0 - odds.found) ** (stops - found),
        (1.0 - odds.clear) ** found * odds.clear ** (stops - found),
    )


def finding_odds(
    stops: int, *, settings: ZoneSettings, earlier: Earlier | None = None
) -> Odds:
    """Return how often the stops of one zone, its hole and all, are right together.

    As `zones.confirm.verdict_of` takes them: the median of all readings in tracks
    against that of all beside them must reach ``confirm_ratio``, and the hole must
    show plates. With fewer stops than ``min_probes``, those made earlier among them,
    nothing is ever confirmed. Half of the readings must also pass ``cone_limit``; how
    hard a layer is nobody knows before, so that is taken to go with the ratio.

    Parameters
    ----------
    stops : int
        New ones.
    settings : ZoneSettings
    earlier : Earlier, optional
        What was read there and did not settle it.

    Notes
    -----
    Logarithms of readings as normal errors. The variance of the median of n of them is
    1 / n for one and two, else about pi / (2 (n + c)) with c = pi / 2 - 1 where n is
    odd and 1.3 where it is even (fitted to drawn medians, within 3 %); for many n it
    is that of H. Cramér 1946, Mathematical Methods of Statistics (from memory). The
    readings of earlier days weigh by their number.

    Examples
    --------
    >>> from trafficmap.core.settings.zones import ZoneSettings
    >>> odds = finding_odds(10, settings=ZoneSettings())
    >>> round(odds.found, 2), round(odds.clear, 2)
    (0.78, 0.99)
    """
    before = earlier or Earlier()
    if stops <= 0 or before.stops + stops < settings.min_probes:
        return Odds(0.0, 1.0)
    limit = math.log(settings.confirm_ratio)
    if before.stops and before.ratio > 0:
        limit += before.stops / stops * (limit - math.log(before.ratio))
    error = settings.probe_spread * math.sqrt(2.0 * _median_variance(stops))
    plates = (1.0, 1.0)
    if not before.plates:
        plates = (settings.spade_right, 1.0 - settings.spade_right)
    harder = math.log(settings.layer_ratio)
    return Odds(
        found=plates[0] * float(ndtr((harder - limit) / error)),
        clear=1.0 - plates[1] * float(ndtr(-limit / error)),
    )


def value_of_probing(stake: Stake, *, odds: Odds) -> float:
    """Return what probing is worth before it is done, its own cost not counted.

    The expected value of sample information under the decision that is really made:
    a confirmed layer is ripped where that pays, everything else is left, as it is
    without a probe. Ground where acting on a finding would lose on the whole is not
    worth probing.

    Parameters
    ----------
    stake : Stake
        ``gain`` not above 0 where the decision would not rip a layer it found.
    odds : Odds
        Of all stops and the hole together, `finding_odds`.

    Returns
    -------
    float
        Never below 0. [currency]

    Notes
    -----
    H. Raiffa & R. Schlaifer (1961), Applied Statistical Decision Theory, Harvard
    (preposterior analysis; from memory), with the acts given by the rule.

    Examples
    --------
    A sure look at even odds of winning 100 or losing 60 is worth 50:

    >>> value_of_probing(Stake(0.5, 100.0, 60.0), odds=Odds(1.0, 1.0))
    50.0
    """
    if stake.gain <= 0:
        return 0.0
    right = stake.prior * odds.found * stake.gain
    wrong = (1.0 - stake.prior) * (1.0 - odds.clear) * stake.waste
    return max(0.0, right - wrong)


def share_out(values: Sequence[Sequence[float]], stops: int) -> list[int]:
    """Return how many of `stops` each piece of ground gets, worth the most together.

    Exact, by dynamic programming over the pieces; of plans worth the same the one with
    fewer stops wins.

    Parameters
    ----------
    values : sequence of sequence of float
        For each piece what 0, 1, 2, ... stops are worth there. [currency]
    stops : int
        How many there are to give.

    Examples
    --------
    >>> share_out([[0, 1, 1.5], [0, 0, 4]], 3)
    [1, 2]
    """
    best = [0.0] * (stops + 1)
    taken: list[list[int]] = []
    for worth in values:
        new, chosen = list(best), [0] * (stops + 1)
        for left in range(stops + 1):
            for count in range(1, min(len(worth) - 1, left) + 1):
                total = best[left - count] + worth[count]
                if total > new[left] + 1e-9:
                    new[left], chosen[left] = total, count
        best = new
        taken.append(chosen)
    out, left = [0] * len(values), stops
    for piece in reversed(range(len(values))):
        out[piece] = taken[piece][left]
        left -= out[piece]
    return out


def damage_to_layer(probability: float, settings: ZoneSettings) -> float:
    """Return the chance that people find a layer where the model says damage.

    Where nothing is known of loads or soil water, the chance from a survey of fields
    stands in.

    Parameters
    ----------
    probability : float
        That stress exceeded strength at the worst depth, NaN where not assessed.
    settings : ZoneSettings

    Notes
    -----
    Overcompaction stood at 47 % of the sites with a high risk by a model of wheel load
    and strength, and at none with a low one: D. J. Brus & J. J. H. van den Akker
    (2018), SOIL 4:37-45 (abstract). That the share falls in a straight line with the
    model's probability is a choice. 18 % of surveyed fields: from memory of a
    university's project page.
    """
    if math.isnan(probability):
        return settings.layer_unassessed
    return settings.layer_given_damage * probability


def calibrated(
    prior: float, *, found: float, stops: float, settings: ZoneSettings
) -> float:
    """Return a chance after counts on ground of the same soil and risk class.

    The prior weighs as ``prior_weight`` findings (Beta and binomial counts).

    Examples
    --------
    >>> from trafficmap.core.settings.zones import ZoneSettings
    >>> round(calibrated(0.18, found=6, stops=10, settings=ZoneSettings()), 3)
    0.39
    """
    weight = settings.prior_weight
    return (weight * prior + found) / (weight + stops)


def counted(stops: int, settings: ZoneSettings) -> float:
    """Return how many findings elsewhere the stops of one zone count for.

    Stops in one zone are alike, so ten of them say less about other zones than ten
    stops in ten zones: n / (1 + (n - 1) r), the design effect of clusters (L. Kish
    1965, Survey Sampling, Wiley; from memory), with r = ``stops_alike``.

    Examples
    --------
    >>> from trafficmap.core.settings.zones import ZoneSettings
    >>> round(counted(10, ZoneSettings()), 2)
    2.7
    """
    if stops <= 0:
        return 0.0
    return stops / (1.0 + (stops - 1) * settings.stops_alike)


def _median_variance(count: int) -> float:
    """Return the variance of the median of `count` standard normal errors."""
    if count <= 2:
        return 1.0 / count
    add = math.pi / 2.0 - 1.0 if count % 2 else 1.3
    return math.pi / (2.0 * (count + add))


def _bayes(prior: float, if_layer: float, if_none: float) -> float:
    total = prior * if_layer + (1.0 - prior) * if_none
    return prior * if_layer / total if total > 0 else prior
