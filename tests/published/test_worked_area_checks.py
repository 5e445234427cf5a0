"""Worked ground against the two counters a forage harvester keeps of it.

The machine counts area by itself, in steps of 100 m2, and distance by itself. Its area
is not its distance times the width it logs: it lies up to 3.3 % below. Ours is held to
3 % of the area counter, but for two short tasks of many turns where that counter
disagrees with the machine's own distance and width by more than 2.5 %; there ours is
held to 3 % of these two. Nothing is fitted.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest
import shapely

from trafficmap import tracks
from trafficmap.cli import run_command
from trafficmap.core.settings import Settings
from trafficmap.field import read_field
from trafficmap.formats.isoxml import read_task_data, task_logs

pytestmark = pytest.mark.real

COUNTED = {"T1": 48_300, "T2": 40_500, "T3": 19_500, "T4": 30_100, "T5": 17_900,
           "T8": 48_200, "T10": 50_800, "T11": 49_000, "T14": 45_900, "T15": 17_900,
           "T19": 22_000, "T20": 7_500}  # fmt: skip
"""What the machine counted [m2]."""

FROM_DISTANCE = {"T13": (13_900, 14_267), "T17": (13_400, 13_839)}
"""What it counted, and its counted distance times its mean logged width [m2]."""


class Worked(NamedTuple):
    """One task: cleaned fixes, ours, and the counters."""

    fixes: object
    area: float
    width: float
    counters: dict


@pytest.fixture(scope="module")
def tasks(shared_data, tmp_path_factory):
    """Every task by its short name."""
    source = shared_data / "isoxml_forage_harvest"
    data = read_task_data(source)
    names = {
        log.counters["distance"]: task.id.replace("TSK", "T")
        for task, log in zip(data.tasks, task_logs(data), strict=True)
    }
    folder = tmp_path_factory.mktemp("worked") / "season"
    assert run_command(["new", str(folder), str(source)]) == 0
    settings = Settings().tracks
    found = {}
    for place in sorted(folder.iterdir()):
        field, _ = read_field(place)
        ground = {"boundary": field.boundary, "machines": field.machines}
        fixes, _ = tracks.clean(field.fixes, **ground, settings=settings)
        fixes, _, _ = tracks.split(fixes, **ground, settings=settings)
        (row,) = tracks.worked(fixes).to_dict("records")
        counters = field.logs[0].counters
        width = _mean_width(field.fixes)
        found[names[counters["distance"]]] = Worked(fixes, row["area"], width, counters)
    assert len(found) == 14
    return found


@pytest.mark.published(
    "Worked area of harvester task {task} [m2]",
    source="the machine's own area counter",
    mark="real log",
)
@pytest.mark.parametrize("task", COUNTED)
def test_worked_area_is_what_the_machine_counted(published, tasks, task):
    assert tasks[task].counters["area"] == COUNTED[task]
    assert tasks[task].area == published(COUNTED[task], rel=0.03, of="area")


@pytest.mark.published(
    "Worked area of harvester task {task} [m2], where its counters disagree",
    source="the machine's own distance counter times the width in its records",
    mark="real log",
)
@pytest.mark.parametrize("task", FROM_DISTANCE)
def test_where_the_counters_disagree(published, tasks, task):
    counted, by_distance = FROM_DISTANCE[task]
    one = tasks[task]
    assert one.counters["area"] == counted
    theirs = one.counters["distance"] * one.width
    assert abs(theirs - by_distance) <= 1.0
    # The machine's two reckonings of one task are apart by nearly all of the 3 %.
    assert 0.025 < theirs / counted - 1.0 < 0.035
    assert one.area == published(by_distance, rel=0.03, of="area")
    # Said openly: against the area counter alone ours is high, and by how much.
    assert 0.03 < one.area / counted - 1.0 < 0.05


@pytest.mark.published(
    "Worked area of all harvester tasks together [m2]",
    source="the machine's own area counter, 14 tasks",
    mark="real log",
)
def test_worked_area_of_the_season(published, tasks):
    counted = sum(task.counters["area"] for task in tasks.values())
    assert counted == 424_900.0
    ours = sum(task.area for task in tasks.values())
    assert ours == published(424_900, rel=0.01, of="area")


def test_worked_area_is_that_of_the_strips_drawn(tasks):
    """The same ground by another way: every worked step drawn as a polygon."""
    for name, task in tasks.items():
        strips = _strips(task.fixes)
        drawn = shapely.area(strips).sum()
        assert abs(task.area - drawn) <= 2e-3 * drawn, name
        # Each strip counts whole, as the machine counts: swaths lie over one another,
        # in the two odd tasks more than elsewhere.
        share = shapely.union_all(strips).area / task.area
        assert 0.68 < share < 0.90, name


def _mean_width(fixes) -> float:
    """Return the width of all worked steps as logged, weighed by their length [m]."""
    step, on, width = _steps(fixes)
    return float((step * width)[on].sum() / step[on].sum())


def _steps(fixes) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the steps [m], which of them worked, and their width [m]."""
    step = np.hypot(np.diff(fixes["easting"]), np.diff(fixes["northing"]))
    passed = np.diff(fixes["seconds"])
    on = (passed > 0) & (passed <= 30.0) & (step <= 12.0 * passed)
    on &= fixes["work_state"].to_numpy()[1:] > 0.0
    return step, on, fixes["width"].to_numpy(dtype=float)[1:]


def _strips(fixes) -> np.ndarray:
    """Return the ground of every worked step as a polygon."""
    step, on, width = _steps(fixes)
    on &= step > 0.0
    place = np.column_stack([fixes["easting"], fixes["northing"]])
    lines = shapely.linestrings(np.stack([place[:-1], place[1:]], axis=1)[on])
    return shapely.buffer(lines, width[on] / 2.0, cap_style="flat")
