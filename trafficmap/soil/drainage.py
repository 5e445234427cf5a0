"""Flow to tile, to judge a drainage coefficient by."""

from __future__ import annotations


def tile_flow_hooghoudt(head, *, spacing, below, above, equivalent_depth):
    """Return the steady flow to parallel tile, over the area.

    q L^2 = 8 K_b d_e h + 4 K_a h^2. The water balance takes a drainage coefficient
    instead, because hardly anyone knows the spacing of old tile.

    Parameters
    ----------
    head : float
        Water table above the tile, midway. [m]
    spacing : float
        Between tile lines. [m]
    below, above : float
        Hydraulic conductivity below and above the tile. [m/s]
    equivalent_depth : float
        To the layer that does not leak, corrected for flow towards the tile. [m]

    Returns
    -------
    float
        [m/s]

    References
    ----------
    .. [1] S. B. Hooghoudt (1940), Versl. Landbouwk. Onderz. 46:515-707 (from memory).

    Examples
    --------
    >>> k = 0.5 / 86400
    >>> q = tile_flow_hooghoudt(0.9, spacing=24.0, below=k, above=k,
    ...                         equivalent_depth=1.0)
    >>> round(q * 86400e3, 2)
    9.06
    """
    return (8.0 * below * equivalent_depth * head + 4.0 * above * head**2) / spacing**2
