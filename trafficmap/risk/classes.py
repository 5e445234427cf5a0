"""From a probability to one of four words, or to not assessed."""

from __future__ import annotations

import numpy as np

from trafficmap.core.settings.risk import RiskSettings

RISK_WORDS = {
    1: "unlikely",
    2: "possible",
    3: "likely",
    4: "very likely",
    5: "not assessed",
}
NOT_ASSESSED = 5


def risk_class(probability, *, settings: RiskSettings) -> np.ndarray:
    """Return the class 1 to 4 of each probability, 5 where it is NaN.

    Possible starts at the first limit, likely at the second; exactly the third limit
    is still likely. The limits are a choice, without field validation.

    Parameters
    ----------
    probability : float or ndarray
        Chance that stress exceeded strength, 0 to 1 or NaN. [unitless]
    settings : RiskSettings

    Returns
    -------
    ndarray of uint8

    Examples
    --------
    >>> risk_class([0.19, 0.2, 0.5, 0.8, 0.81, float("nan")], settings=RiskSettings())
    array([1, 2, 3, 3, 4, 5], dtype=uint8)
    """
    given = np.asarray(probability, dtype=np.float64)
    possible, likely, very = settings.class_limits
    out = 1 + (given >= possible).astype(np.uint8) + (given >= likely) + (given > very)
    return np.where(np.isnan(given), NOT_ASSESSED, out).astype(np.uint8)


def risk_word(probability: float, *, settings: RiskSettings) -> str:
    """Return the word for one probability.

    Examples
    --------
    >>> risk_word(0.65, settings=RiskSettings())
    'likely'
    """
    return RISK_WORDS[int(risk_class(probability, settings=settings))]
