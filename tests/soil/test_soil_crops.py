"""What grows on the ground: crops, bare ground, cover crops, and the south."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.settings.soil import SoilSettings
from trafficmap.field.extras import crop_name
from trafficmap.field.model import Crop
from trafficmap.soil.cover import ground_cover, season_start
from trafficmap.soil.crops import CROPS

DAYS = pd.date_range("2026-01-01", "2026-12-31")
MILD = np.full(len(DAYS), 5.0)
SETTINGS = SoilSettings()


def cover(name, *, dates=DAYS, t_min=MILD, southern=False, settings=SETTINGS, **more):
    found, notes = ground_cover(
        dates,
        t_min,
        crop=Crop(name, **more),
        southern=southern,
        settings=settings,
    )
    return pd.Series(found.basal, index=dates), found, notes


@pytest.mark.parametrize(
    ("name", "day", "basal"),
    [
        ("winter wheat", "02-15", 0.30),
        ("winter wheat", "05-20", 1.10),
        ("winter wheat", "07-06", 0.0),
        ("oats", "06-01", 1.10),
        ("oats", "08-01", 0.0),
        ("silage corn", "08-15", 1.10),
        ("sugar beet", "09-10", 1.15),
        ("sugar beet", "11-15", 0.50),
        ("potatoes", "08-01", 1.10),
        ("potatoes", "09-20", 0.65),
    ],
)
def test_water_use_by_crop_and_date(name, day, basal):
    use, _, notes = cover(name)
    assert notes == []
    assert use[f"2026-{day}"] == pytest.approx(basal)


def test_every_crop_is_between_bare_and_full():
    for name, use in CROPS.items():
        basal, found, notes = cover(name)
        assert notes == []
        assert basal.max() == pytest.approx(max(use.basal))
        assert 0.9 < basal.max() <= 1.2
        assert (found.bare >= 0.0).all()
        assert (found.bare <= 1.0).all()
        assert found.surface.startswith(use.name)


@pytest.mark.parametrize("name", ["Maize", "Soy", "Beans", "silage_corn"])
def test_what_people_write_is_a_crop(name):
    assert crop_name(name) in CROPS


def test_bare_ground_by_name_or_by_setting():
    for given in (
        cover("fallow"),
        cover("corn", settings=SoilSettings(cover="bare")),
    ):
        use, found, notes = given
        assert (use == 0.0).all()
        assert (found.bare == 1.0).all()
        assert notes == []
        assert found.surface == "bare all year"


def test_what_was_assumed_is_said_in_words():
    _, found, _ = cover("soybean", harvested="2026-10-02", cover_sown="2026-10-05")
    assert found.surface == (
        "soybean, taking water from 1 May to 10 September, bare from its harvest on "
        "2026-10-02, a cover crop from 2026-10-05"
    )
    _, found, _ = cover("pasture")
    assert found.surface == "sod, alive or dormant all year"
    _, found, _ = cover("rye")
    assert "the autumn before, growing from 20 March to 5 July" in found.surface


def test_a_cover_crop_grows_after_the_harvest_and_stops_with_frost():
    cold = np.where(DAYS >= "2026-11-20", -4.0, 5.0)
    use, _, _ = cover(
        "silage corn", harvested="2026-09-01", cover_sown="2026-09-05", t_min=cold
    )
    assert use["2026-09-03"] == 0.0
    assert use["2026-09-05"] == pytest.approx(0.15)
    assert use["2026-10-20"] == pytest.approx(0.60)
    assert use["2026-11-25"] == pytest.approx(0.30)


@pytest.mark.parametrize("name", ["corn", "winter wheat", "sugar beet", "pasture"])
def test_the_south_has_the_same_year_half_a_year_later(name):
    north = pd.date_range("2026-01-01", "2026-12-31")
    south = north + pd.Timedelta(days=184)
    t_min = np.where((north.month >= 11) | (north.month < 4), -5.0, 8.0)
    here, _, _ = cover(name, dates=north, t_min=t_min)
    there, _, _ = cover(name, dates=south, t_min=t_min, southern=True)
    np.testing.assert_allclose(there.to_numpy(), here.to_numpy())


def test_a_southern_harvest_ends_the_use_of_its_own_year():
    dates = pd.date_range("2025-11-01", "2026-10-30")
    use, found, _ = cover(
        "corn",
        dates=dates,
        t_min=np.full(len(dates), 8.0),
        southern=True,
        harvested="2026-02-20",
    )
    assert use["2026-01-15"] == pytest.approx(1.10)
    assert use["2026-02-20":].max() == 0.0
    assert "from 1 November to 12 March" in found.surface


@pytest.mark.parametrize(
    ("day", "southern", "start"),
    [
        ("2026-10-20", False, "2026-05-01"),
        ("2026-03-10", False, "2026-05-01"),
        ("2026-04-20", True, "2025-11-01"),
        ("2026-11-20", True, "2026-11-01"),
    ],
)
def test_where_the_run_starts(day, southern, start):
    found = season_start(dt.date.fromisoformat(day), southern=southern)
    assert found == pd.Timestamp(start)
