"""What stands on a machine's network, by the names its controllers claim."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

ADDRESS_CLAIMED = 60_928
"""Every controller says its name of eight bytes when it joins, and when asked."""

_AGRICULTURE = 2
CLASSES = {
    1: "tractor",
    2: "tillage",
    3: "tillage",
    4: "planter",
    5: "spreader",
    6: "sprayer",
    7: "combine",
    8: "beet harvester",
    9: "forage machine",
    11: "trailer",
}
"""Words for classes of vehicle in industry group 2, agriculture (from memory). A
"harvester" is most often a combine; root harvesters are told as those of beets."""

_SELF_PROPELLED = ("combine", "beet harvester", "tractor")
"""What carries the receiver where several stand on the network, the surest first."""


@dataclass(frozen=True)
class Name:
    """A name of eight bytes, taken apart.

    Parameters
    ----------
    industry : int
        Industry group; 2 is agriculture and forestry.
    vehicle : int
        Class of vehicle within the group; 0 says none.
    function, maker : int
        Function of the controller, number of its maker.
    """

    industry: int
    vehicle: int
    function: int
    maker: int


def read_name(value: int) -> Name:
    """Return the parts of a name.

    Parameters
    ----------
    value : int
        The eight bytes as one number, least first.

    Notes
    -----
    Bits 21 to 31 maker, 40 to 47 function, 49 to 55 class of vehicle, 60 to 62
    industry group (SAE J1939-81 and ISO 11783-5, from memory).

    Examples
    --------
    >>> read_name(0xA00E_8200_0000_0001)
    Name(industry=2, vehicle=7, function=130, maker=0)
    """
    return Name(
        industry=value >> 60 & 7,
        vehicle=value >> 49 & 0x7F,
        function=value >> 40 & 0xFF,
        maker=value >> 21 & 0x7FF,
    )


def machine_of(
    data: np.ndarray, sender: np.ndarray, *, receiver: int
) -> tuple[str, str] | None:
    """Return what a network belongs to and why, None where no name says it.

    Parameters
    ----------
    data : ndarray of uint8, shape (n, 8)
        Bytes of the claims.
    sender : ndarray of int, shape (n,)
        Address each was sent from.
    receiver : int
        Address of the sender of the places.

    Notes
    -----
    The class of the controller that sends the places counts; where it has none, as
    most receivers, a self-propelled machine, and else what is there most often.
    """
    values = np.ascontiguousarray(data).view("<u8")[:, 0]
    by_sender: dict[int, str] = {}
    for address, value in zip(sender.tolist(), values.tolist(), strict=True):
        name = read_name(value)
        if name.industry == _AGRICULTURE and name.vehicle in CLASSES:
            by_sender[address] = CLASSES[name.vehicle]
    if not by_sender:
        return None
    there = Counter(by_sender.values())
    if receiver in by_sender:
        word = by_sender[receiver]
    else:
        own = [kind for kind in _SELF_PROPELLED if kind in there]
        word = own[0] if own else min(there, key=lambda kind: (-there[kind], kind))
    why = f"{by_sender.get(receiver, word)} by the name its controller claims"
    others = sorted(set(there) - {word})
    if others:
        why += f"; on its network also: {', '.join(others)}"
    return word, why
