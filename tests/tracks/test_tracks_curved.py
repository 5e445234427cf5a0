"""Work on curved rows, told by the track alone."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from trafficmap.core.settings.tracks import TrackSettings
from trafficmap.tracks import clean, split

SETTINGS = TrackSettings()


def rows_along(curve, *, rows, apart, speed=2.0):
    """Drive rows beside a curve, half turns at the ends: easting, northing, worked.

    `curve` holds places of the first row; the others are its parallels to the right.
    """
    ahead = np.gradient(curve, axis=0)
    ahead /= np.hypot(*ahead.T)[:, None]
    right = np.column_stack([ahead[:, 1], -ahead[:, 0]])
    place, work = [], []
    for row in range(rows):
        line = curve + row * apart * right
        heading = ahead
        if row % 2:
            line, heading = line[::-1], -ahead[::-1]
        gone = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
        at = np.arange(0.0, gone[-1], speed)
        place.append(np.column_stack([np.interp(at, gone, c) for c in line.T]))
        work.append(np.ones(at.size))
        # A half turn towards the next row, which lies right on the way out.
        side = 1.0 if row % 2 == 0 else -1.0
        radius = apart / 2.0
        angle = np.arange(speed / radius, np.pi, speed / radius)
        end, to = line[-1], heading[-1]
        across = side * np.array([to[1], -to[0]])
        place.append(
            end
            + radius * np.sin(angle)[:, None] * to
            + radius * (1.0 - np.cos(angle))[:, None] * across
        )
        work.append(np.zeros(angle.size))
    place, work = np.concatenate(place[:-1]), np.concatenate(work[:-1])
    return place[:, 0], place[:, 1], work


def contour(length=1600.0):
    """A way round two hills: no direction holds a tenth of it, radius 80 m at least."""
    at = np.linspace(0.0, length, 2000)
    course = np.pi * np.sin(2.0 * np.pi * at / length)
    step = length / at.size
    return np.cumsum(step * np.column_stack([np.sin(course), np.cos(course)]), axis=0)


def circle(radius=150.0, turns=0.85):
    angle = np.linspace(0.0, 2 * np.pi * turns, 800)
    return radius * np.column_stack([np.sin(angle), np.cos(angle)])


def states(make, east, north, *, settings=SETTINGS, noise=0.0, **machine):
    rng = np.random.default_rng(1)
    fixes = make.fixes(
        east + noise * rng.standard_normal(east.size),
        north + noise * rng.standard_normal(east.size),
    )
    rig = make.machine(**machine)
    told = {"boundary": None, "machines": {"combine": rig}, "settings": settings}
    fixes, _ = clean(fixes, **told)
    fixes, passes, notes = split(fixes, **told)
    return fixes, passes, notes


def score(fixes, work):
    """Return the share of worked fixes found, and of other fixes taken for work."""
    found = (fixes["state"] == "working").to_numpy()
    on = work[fixes["row"].to_numpy() - 1] > 0
    return found[on].mean(), found[~on].mean()


@pytest.mark.parametrize("curve", [contour, circle])
@pytest.mark.parametrize(("noise", "sigma"), [(0.0, 0.02), (0.2, 0.2)])
def test_contour_rows_without_a_signal(make, curve, noise, sigma):
    east, north, work = rows_along(curve(), rows=5, apart=9.0)
    fixes, passes, notes = states(make, east, north, noise=noise, sigma_within=sigma)
    found, wrong = score(fixes, work)
    assert found > 0.93
    assert wrong < 0.35
    assert (passes["state"] == "working").sum() >= 5
    assert "tracks.work_guessed" in {note.code for note in notes}


def test_without_it_curved_rows_are_lost(make):
    east, north, work = rows_along(contour(), rows=5, apart=9.0)
    never = TrackSettings(curved_share=1.0)
    fixes, _, _ = states(make, east, north, settings=never)
    found, _ = score(fixes, work)
    assert found < 0.5


def test_one_winding_way_is_no_work(make):
    curve = circle(turns=1.0)
    gone = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(curve, axis=0).T))])
    at = np.arange(0.0, gone[-1], 2.0)
    east, north = (np.interp(at, gone, c) for c in curve.T)
    fixes, _, _ = states(make, east, north)
    assert (fixes["state"] == "working").mean() < 0.1


def test_the_same_way_back_and_forth_is_no_work(make):
    """A lane driven again and again lies on itself, not beside itself."""
    curve = circle(turns=0.9)
    lap = np.concatenate([curve, curve[::-1]])
    way = np.concatenate([lap] * 4)
    gone = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(way, axis=0).T))])
    at = np.arange(0.0, gone[-1], 2.0)
    east, north = (np.interp(at, gone, c) for c in way.T)
    fixes, _, _ = states(make, east, north)
    never, _, _ = states(make, east, north, settings=TrackSettings(curved_share=1.0))
    assert fixes["state"].tolist() == never["state"].tolist()


def test_straight_rows_stay_as_they_were(make):
    east, north, _ = make.rows(rows=8)
    one, _, _ = states(make, east, north)
    other, _, _ = states(make, east, north, settings=TrackSettings(curved_share=1.0))
    assert one["state"].tolist() == other["state"].tolist()


def test_turning_the_field_and_a_denser_log_change_nothing(make):
    east, north, _ = rows_along(contour(), rows=5, apart=9.0)
    base, _, _ = states(make, east, north)
    angle = 0.7
    turned = (
        np.cos(angle) * east + np.sin(angle) * north,
        np.cos(angle) * north - np.sin(angle) * east,
    )
    other, _, _ = states(make, *turned)
    same = (base["state"].to_numpy() == other["state"].to_numpy()).mean()
    assert same > 0.98
    finer = np.arange(0.0, east.size - 1, 0.25)
    whole = np.arange(east.size)
    fixes = make.fixes(
        np.interp(finer, whole, east),
        np.interp(finer, whole, north),
        seconds=finer,
    )
    told = {"boundary": None, "machines": {"combine": make.machine()}}
    fixes, _ = clean(fixes, settings=SETTINGS, **told)
    fixes, _, _ = split(fixes, settings=SETTINGS, **told)
    dense = (fixes["state"] == "working").mean()
    assert dense == pytest.approx((base["state"] == "working").mean(), abs=0.02)


def test_distances_are_found_without_looking_at_every_pair():
    """The rows beside a place, against a plain search over all places."""
    from trafficmap.tracks.curved_work import _nearest_beside

    rng = np.random.default_rng(4)
    place = rng.uniform(0.0, 200.0, (300, 2))
    course = rng.uniform(-np.pi, np.pi, 300)
    got = _nearest_beside(place, course, 0.3)
    near = cKDTree(place).query_ball_point(place, 40.0)
    for k, others in enumerate(near):
        best = np.inf
        for m in others:
            turn = (
                abs(
                    np.arctan2(
                        *(f(2 * (course[k] - course[m])) for f in (np.sin, np.cos))
                    )
                )
                / 2
            )
            # The pair is judged by the direction of the one that comes first.
            lead = course[min(k, m)]
            e, n = place[m] - place[k]
            across = abs(e * np.cos(lead) - n * np.sin(lead))
            along = abs(e * np.sin(lead) + n * np.cos(lead))
            if m != k and turn <= 0.3 and along <= 3.0 and across >= 2.0:
                best = min(best, across)
        assert (np.isnan(got[k]) and best == np.inf) or got[k] == pytest.approx(best)


def lane(laps=3, *, apart=3.5):
    """A winding lane, there on its right side and back on its left."""
    middle = contour(1200.0) + np.array([0.0, 500.0])
    ahead = np.gradient(middle, axis=0)
    ahead /= np.hypot(*ahead.T)[:, None]
    right = 0.5 * apart * np.column_stack([ahead[:, 1], -ahead[:, 0]])
    way = np.concatenate([middle + right, (middle - right)[::-1]] * laps)
    gone = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(way, axis=0).T))])
    at = np.arange(0.0, gone[-1], 3.0)
    return [np.interp(at, gone, c) for c in way.T]


def test_a_lane_with_two_sides_is_no_field(make):
    """Beside straight rows their distance counts, alone the width of the machine."""
    never = TrackSettings(curved_share=1.0)
    rows = make.rows(rows=20)
    for before, told in ((rows[:2], {}), (([], []), {"width": 8.0})):
        east, north = (
            np.concatenate(parts) for parts in zip(before, lane(), strict=True)
        )
        one, _, _ = states(make, east, north, **told)
        other, _, _ = states(make, east, north, settings=never, **told)
        assert one["state"].tolist() == other["state"].tolist()
    # Rows as far apart as the machine is wide are work all the same.
    east, north, work = rows_along(contour(), rows=5, apart=9.0)
    fixes, _, _ = states(make, east, north, width=9.0)
    assert score(fixes, work)[0] > 0.93
