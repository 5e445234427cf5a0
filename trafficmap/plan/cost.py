"""What a machine costs: capital, upkeep, and what ripping costs beyond the usual."""

from __future__ import annotations

from dataclasses import dataclass


def recovery_factor(rate: float, *, years: float) -> float:
    """Capital recovery factor i (1 + i)^n / ((1 + i)^n - 1), 1/n at no interest.

    Examples
    --------
    >>> round(recovery_factor(0.08, years=15), 5)
    0.11683
    """
    if rate == 0:
        return 1.0 / years
    growth = (1.0 + rate) ** years
    return rate * growth / (growth - 1.0)


def capital_recovery(
    price: float, *, salvage: float, rate: float, years: float
) -> float:
    """Yearly cost of capital: (price - salvage) x factor + salvage x interest.

    Parameters
    ----------
    price, salvage : float
        Purchase price and value at the end. [currency]
    rate : float
        Yearly interest. [fraction]
    years : float

    Returns
    -------
    float
        [currency a year]

    References
    ----------
    .. [1] W. Edwards, Estimating Farm Machinery Costs, Iowa State extension A3-29.

    Examples
    --------
    >>> round(capital_recovery(130_000, salvage=34_500, rate=0.08, years=15))
    13917
    """
    factor = recovery_factor(rate, years=years)
    return (price - salvage) * factor + salvage * rate


def ownership_share(
    *, salvage: float, years: float, rate: float, other: float = 0.02
) -> float:
    """Yearly ownership cost as share of the price, by the older rule (from memory).

    (1 - S)/L + (1 + S)/2 i + K2, with K2 for taxes, housing and insurance.

    References
    ----------
    .. [1] ASAE EP496.3 (from memory).

    Examples
    --------
    >>> round(ownership_share(salvage=0.23, years=15, rate=0.08), 4)
    0.1205
    """
    return (1 - salvage) / years + (1 + salvage) / 2 * rate + other


def repair_by_hour(
    price: float, *, factors: tuple[float, float], hours: float
) -> float:
    """Repair by hour over the life of a machine [currency/h] (form from memory).

    RF1 P (h / 1000)^RF2 over all its hours h, shared out evenly among them.

    Parameters
    ----------
    price : float
        [currency]
    factors : tuple of float
        RF1 and RF2.
    hours : float
        Hours of its whole life. [h]

    References
    ----------
    .. [1] ASAE EP496 and D497 (from memory).

    Examples
    --------
    >>> round(repair_by_hour(50_000, factors=(0.28, 1.4), hours=1000), 2)
    14.0
    """
    if hours <= 0:
        return 0.0
    first, second = factors
    return first * price * (hours / 1000.0) ** second / hours


@dataclass(frozen=True)
class AreaCost:
    """Cost of ripping by area [currency/m2].

    Parameters
    ----------
    whole : float
        Ripping and levelling, paid in any case.
    extra : float
        What it costs beyond what would be done there otherwise.
    levelling, credit : float
        Levelling charged, and the fall pass it replaces.
    """

    whole: float
    extra: float
    levelling: float
    credit: float


def ripping_cost(
    ripping: float,
    *,
    levelling: float,
    fall_pass: float,
    spring_pass: bool,
    replaces_fall_pass: bool,
) -> AreaCost:
    """Cost of ripping as the difference to what would be done otherwise.

    Levelling is charged only where no spring pass would be made anyway; the fall pass
    that ripping replaces is credited. A choice: the difference is what a person
    decides on, the whole cost is shown beside it.

    Parameters
    ----------
    ripping, levelling, fall_pass : float
        Price of each pass. [currency/m2]
    spring_pass : bool
        A spring tillage pass is usual there.
    replaces_fall_pass : bool
        A fall pass is usual there and ripping stands in for it.

    Examples
    --------
    >>> ripping_cost(27.0, levelling=16.0, fall_pass=18.0, spring_pass=True,
    ...              replaces_fall_pass=True).extra
    9.0
    """
    level = 0.0 if spring_pass else levelling
    credit = fall_pass if replaces_fall_pass else 0.0
    return AreaCost(ripping + level, ripping + level - credit, level, credit)
