"""What must hold for any input: passes, depths, one advice, filled boundaries."""

from __future__ import annotations

import math
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from trafficmap.risk._kernels import join_passes, trapezoid_offset
from trafficmap.risk.assess import cell_places
from trafficmap.zones.decide import UnitInputs, decide
from trafficmap.zones.depths import depth_classes, fitting_class, tip_depth

chances = st.lists(st.floats(0.0, 1.0), min_size=1, max_size=8)
growths = st.floats(0.0, 0.5)


def join(damage, growth):
    return join_passes(sum(damage), max(damage), growth)


@settings(deadline=None)  # the first call compiles
@given(chances, growths)
def test_joined_passes_lie_between_the_worst_and_one(damage, growth):
    joined = join(damage, growth)
    assert max(damage) - 1e-12 <= joined <= 1.0


@given(chances, st.floats(0.0, 1.0), growths)
def test_one_more_pass_never_lowers_damage(damage, more, growth):
    # D_max (1 + k ln(sum / D_max)) rises in both as long as k is at most 1.
    assert join([*damage, more], growth) >= join(damage, growth) - 1e-9


@given(st.floats(-math.pi, math.pi), st.floats(0.001, 0.999), st.floats(0.1, 5.0))
def test_places_across_a_square_stay_inside_it(heading, share, half):
    along, across = abs(math.cos(heading)), abs(math.sin(heading))
    wide, flat = half * (along + across), half * abs(along - across)
    place = trapezoid_offset(flat, wide, share)
    assert abs(place) <= wide + 1e-9
    mirrored = trapezoid_offset(flat, wide, 1.0 - share)
    assert math.isclose(place, -mirrored, rel_tol=1e-6, abs_tol=1e-6)


@given(st.integers(5, 200), st.floats(0.1, 5.0), st.floats(-math.pi, math.pi))
def test_places_of_a_cell_fill_it_evenly(count, cell, heading):
    east, north = cell_places(count, cell=cell)
    assert max(abs(east).max(), abs(north).max()) <= cell / 2
    # Turned by a right angle they are the same places.
    turned = sorted(zip((-north).round(9) + 0.0, east.round(9) + 0.0, strict=True))
    assert turned == sorted(zip(east.round(9) + 0.0, north.round(9) + 0.0, strict=True))
    # A line through the middle leaves about half of them on either side.
    across = east * math.cos(heading) - north * math.sin(heading)
    assert abs((across > 1e-9 * cell).mean() - 0.5) <= 1.0 / math.sqrt(east.size)


@given(st.floats(0.03, 0.6), st.sampled_from(["us", "metric"]))
def test_tip_lies_below_the_layer_by_a_step_to_two(bottom, units):
    below = tip_depth(bottom, units=units) - bottom
    low, high = (0.0254, 0.0508) if units == "us" else (0.03, 0.04)
    assert low - 1e-7 <= below <= high + 1e-7


@settings(max_examples=40)
@given(st.lists(st.floats(0.05, 0.40), min_size=1, max_size=6))
def test_classes_never_leave_the_pan_and_never_go_two_inches_below(bottoms):
    classes = depth_classes(bottoms, nets=[1.0] * len(bottoms), units="us")
    assert 1 <= len(classes) <= 3
    gaps = [b - a for a, b in pairwise(classes)]
    assert all(gap >= 0.0508 - 1e-9 for gap in gaps)
    for bottom in bottoms:
        depth = fitting_class(bottom, classes=classes, units="us")
        if depth is not None:
            inches = math.ceil(bottom / 0.0254 - 1e-6)
            assert 1 <= round(depth / 0.0254) - inches <= 2


probed = st.sampled_from(["none", "no layer", "confirmed", "inconclusive"])


@given(
    probed,
    st.floats(0, 1),
    st.booleans(),
    st.sampled_from(["plastic", "untested", "fit", "hard"]),
    st.floats(0, 0.2),
    st.floats(-1e4, 1e4),
    st.floats(0.05, 0.7),
    st.sampled_from(["none", "known", "position_only", "exists", "unsaid"]),
)
def test_nothing_is_ripped_that_five_gates_do_not_pass(
    found, chance, assessed, moisture, frost, net, bottom, tile
):
    unit = UnitInputs(
        probability=chance, assessed=assessed, probed=found, moisture=moisture,
        frost=frost, net=net, layer_bottom=bottom, tile=tile, tile_cover=0.6,
    )  # fmt: skip
    advice = decide(unit)
    assert decide(unit) == advice
    if advice.word == "rip":
        assert found == "confirmed"
        assert moisture == "fit"
        assert net > 0
        assert frost <= 0.075
        assert tile != "exists"
        assert advice.tip <= 0.4318 + 1e-9
