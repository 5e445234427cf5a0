"""The inks hold in light and dark, in grey, and for eyes that see colours otherwise."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from trafficmap.outputs import inks

THEMES = {"light": inks.LIGHT, "dark": inks.DARK}

# Machado, Oliveira & Fernandes 2009, IEEE Trans. Vis. Comput. Graph. 15:1291-1298,
# severity 1.0, on linear RGB (from memory).
EYES = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
# IEC 61966-2-1 (sRGB), D65.
TO_XYZ = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
WHITE = TO_XYZ.sum(axis=1)


def linear(ink):
    value = np.array(inks.rgb(ink)) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def lab(light):
    ratio = TO_XYZ @ np.clip(light, 0, 1) / WHITE
    f = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(one, other):
    high, low = sorted(
        (float(TO_XYZ[1] @ linear(i)) for i in (one, other)), reverse=True
    )
    return (high + 0.05) / (low + 0.05)


def test_lightness_of_known_colours():
    """CIE L* of white is 100, of #00204d 13.0, of #ffea46 91.9 (to a tenth)."""
    for ink, expected in (("#ffffff", 100.0), ("#00204d", 13.0), ("#ffea46", 91.9)):
        assert lab(linear(ink))[0] == pytest.approx(expected, abs=0.06)


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("ramp", inks.RAMPS, ids=["facts", "risk"])
def test_lightness_goes_one_way_in_steps_of_15(theme, ramp):
    steps = np.diff([lab(linear(THEMES[theme][name]))[0] for name in ramp])
    assert len(set(np.sign(steps))) == 1
    assert np.abs(steps).min() >= 15


def test_risk_gets_darker_on_paper_and_brighter_at_night():
    for theme, sign in (("light", -1), ("dark", 1)):
        names = inks.RAMPS[1]
        first, last = (lab(linear(THEMES[theme][n]))[0] for n in (names[0], names[-1]))
        assert np.sign(last - first) == sign


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("ground", ["paper", "panel"])
@pytest.mark.parametrize("name", inks.TEXTS)
def test_words_can_be_read(theme, ground, name):
    assert contrast(THEMES[theme][name], THEMES[theme][ground]) >= 4.5


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("name", inks.LINES)
def test_lines_stand_out_from_paper(theme, name):
    assert contrast(THEMES[theme][name], THEMES[theme]["paper"]) >= 3.0


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("eye", EYES)
def test_classes_stay_apart_for_other_eyes(theme, eye):
    """Neighbours differ by 15 or more in CIELAB, about six times what is just seen."""
    for ramp in inks.RAMPS:
        seen = [lab(np.array(EYES[eye]) @ linear(THEMES[theme][name])) for name in ramp]
        for one, other in itertools.pairwise(seen):
            assert np.linalg.norm(one - other) >= 15


@pytest.mark.parametrize("eye", EYES)
def test_facts_risk_and_work_never_share_an_ink(eye):
    for theme in THEMES.values():
        groups = [[theme[n] for n in ramp] for ramp in inks.RAMPS] + [[theme["work"]]]
        flat = [ink for group in groups for ink in group]
        assert len(flat) == len(set(flat))
    # Work and keep-out lines cross the same paper, so they too must differ.
    for theme in THEMES.values():
        one, other = (
            lab(np.array(EYES[eye]) @ linear(theme[name]))
            for name in ("work", "keep-out")
        )
        assert np.linalg.norm(one - other) >= 15


def test_machines_differ_by_ink_and_dash():
    assert len({ink for ink, _ in inks.MACHINES}) == len(inks.MACHINES)
    assert len({dash for _, dash in inks.MACHINES}) == len(inks.MACHINES)


def test_both_themes_name_the_same_inks():
    assert set(inks.LIGHT) == set(inks.DARK)
