"""The mass ledger: when tanks, carts and tankers were filled and emptied."""

from __future__ import annotations

from dataclasses import dataclass, field

from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads.account import Account, Fill
from trafficmap.loads.coupled import Coupled
from trafficmap.loads.harvest import TankStory, settle_harvester
from trafficmap.loads.tanker import spread
from trafficmap.loads.transfer import Transfer
from trafficmap.loads.unload import KEEP_GAP


@dataclass
class Story:
    """What is worth telling of a season's ledger, beside the accounts themselves."""

    tanks: dict[str, TankStory] = field(default_factory=dict)
    overnight: list[tuple[str, float, float]] = field(default_factory=list)
    overflow: dict[str, float] = field(default_factory=dict)
    transfers: list[Transfer] = field(default_factory=list)


def run_ledger(
    accounts: dict[str, Account],
    transfers: list[Transfer],
    *,
    blown: list[Transfer] | None = None,
    settings: LoadSettings,
) -> Story:
    """Fill in the moves, scenarios and unknown stretches of every account.

    Mass is never made or lost: what leaves one account enters another or a named
    place, and what has no reason is a move called ``unexplained``. What forage
    harvesters `blown` into trailers comes with its mass.
    """
    story = Story()
    known = _known(accounts, transfers)
    transfers = [t for t in transfers if t.donor in known]
    given: list[Transfer] = list(blown or [])
    for name, account in accounts.items():
        mine = [t for t in transfers if t.donor == name]
        if account.role == "harvest":
            found, story.tanks[name] = settle_harvester(
                name, account, mine, accounts, settings=settings
            )
            given += found
        else:
            given += mine
    given.sort(key=lambda t: (t.start, t.donor, t.receiver))
    names = {n for t in given for n in (t.donor, t.receiver) if n in accounts}
    takers = {name for name in names if accounts[name].role != "harvest"}
    for name, account in accounts.items():
        account.alone = name not in names
        if account.alone and account.fill is Fill.SPREAD:
            spread(account, settings)
        elif name in takers and account.fill is Fill.ASSUMED:
            account.fill = Fill.RECEIVE
    if takers:
        _receive(accounts, takers, given, story, settings)
    story.transfers = given
    return story


def _receive(accounts, takers, given, story: Story, settings: LoadSettings) -> None:
    """Write what carts and trucks took; where they emptied it has two readings."""
    # A cart may also have waited where it stands most often: the high scenario.
    Coupled(accounts, takers, settings, by_place=False).run(given)
    full = {name: accounts[name].level() for name in takers}
    for name in takers:
        accounts[name].moves, accounts[name].unseen = [], 0
        accounts[name].unknown = (
            accounts[name].unknown if accounts[name].signal is not None else []
        )
    run = Coupled(accounts, takers, settings, by_place=True)
    run.run(given, _blind(accounts, given, settings))
    story.overnight, story.overflow = run.overnight, run.overflow
    for name in takers:
        account = accounts[name]
        account.scenarios = [
            account.level(late=-1.0),
            account.level(late=1.0),
            full[name],
        ]


def _blind(accounts, given, settings: LoadSettings):
    """Return when nobody can tell what a taker was given: holes of its giver's log."""
    out: dict[str, list[tuple[float, float]]] = {}
    for donor, receiver in sorted({(t.donor, t.receiver) for t in given}):
        giver = accounts.get(donor)
        if receiver not in accounts or giver is None or giver.role != "harvest":
            continue
        holes = giver.gaps(settings.ledger_gap)
        out.setdefault(receiver, []).extend(h for h in holes if h[1] - h[0] < KEEP_GAP)
    return out


def _known(accounts: dict[str, Account], transfers: list[Transfer]) -> set[str]:
    """Return the rigs whose mass is known, or comes from one whose mass is known.

    What a giver of unknown load handed over is unknown, not nothing.
    """
    known = {
        name
        for name, account in accounts.items()
        if account.fill is not Fill.ASSUMED or account.signal is not None
    }
    while True:
        more = {t.receiver for t in transfers if t.donor in known} - known
        if not more:
            return known
        known |= more
