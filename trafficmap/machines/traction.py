"""What a driven tyre can pull: the traction form of Brixius."""

from __future__ import annotations

import numpy as np


def traction_brixius(load, slip, *, cone_index, width, diameter, deflection_ratio=0.2):
    """Mobility number, net traction ratio and tractive efficiency of a bias tyre.

    Bn = (CI b d / W) (1 + 5 delta/h) / (1 + 3 b/d);
    GTR = 0.88 (1 - exp(-0.1 Bn)) (1 - exp(-7.5 s)) + 0.04;
    MRR = 1/Bn + 0.04 + 0.5 s / sqrt(Bn); NTR = GTR - MRR; TE = (1 - s) NTR / GTR.

    Parameters
    ----------
    load : float or ndarray
        Vertical load of the tyre W, above 0. [N]
    slip : float or ndarray
        0 to 1. [fraction]
    cone_index : float or ndarray
        Mean of the top 15 cm. [Pa]
    width, diameter : float
        Section width b and overall diameter d. [m]
    deflection_ratio : float
        Deflection over section height; 0.2 is usual.

    Returns
    -------
    mobility, net_traction, efficiency : float or ndarray

    References
    ----------
    .. [1] W. W. Brixius (1987), Traction prediction equations for bias ply tires,
       ASAE paper 87-1622; constants from memory. That GTR holds exp(-0.1 Bn) and how
       Bn moves with CI, d, b and W was seen in lecture notes.
    """
    mobility = (
        cone_index
        * width
        * diameter
        / load
        * (1.0 + 5.0 * deflection_ratio)
        / (1.0 + 3.0 * width / diameter)
    )
    gross = 0.88 * (1.0 - np.exp(-0.1 * mobility)) * (1.0 - np.exp(-7.5 * slip)) + 0.04
    resistance = 1.0 / mobility + 0.04 + 0.5 * slip / np.sqrt(mobility)
    net = gross - resistance
    return mobility, net, (1.0 - slip) * net / gross
