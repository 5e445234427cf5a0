"""Other tires, another machine, another day."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trafficmap.cli.sample import _sample_module
from trafficmap.core.errors import InputError, SettingsError
from trafficmap.field import read_field
from trafficmap.machines.read import read_machine
from trafficmap.season.changes import Change
from trafficmap.season.rigs import changed_field


@pytest.fixture(scope="module")
def field(tmp_path_factory, farm):
    folder = tmp_path_factory.mktemp("two")
    folder = _sample_module().write_sample(folder / "two", field="two_strips")
    read, _ = read_field(folder)
    days = pd.date_range(
        read.fixes["time"].min().floor("D").tz_localize(None), periods=20
    )
    weather = pd.DataFrame(
        {"date": days, "rain": 0.0, "t_min": 5.0, "t_max": 15.0}, index=range(20)
    )
    return dataclasses.replace(
        read, machines={**read.machines, **farm.machines}, weather=weather
    )


def pressures(machine, body=""):
    return [
        contact.pressure_kpa
        for b in machine.bodies
        if not body or b.id == body
        for axle in b.axles
        for contact in axle.contacts
        if contact.kind == "tyre"
    ]


def test_pressure_is_set_multiplied_and_kept_elsewhere(field):
    new, _ = changed_field(field, Change(name="a", pressure_kpa={"cart": 100}))
    assert set(pressures(new.machines["cart"])) == {100.0}
    assert new.machines["combine"] == field.machines["combine"]
    new, _ = changed_field(field, Change(name="a", pressure_times={"combine": 0.5}))
    before = pressures(field.machines["combine"])
    assert pressures(new.machines["combine"]) == [0.5 * p for p in before]
    body = field.machines["cart"].bodies[1].id
    new, _ = changed_field(field, Change(name="a", pressure_kpa={f"cart/{body}": 100}))
    assert set(pressures(new.machines["cart"], body)) == {100.0}
    front = field.machines["cart"].bodies[0].id
    assert pressures(new.machines["cart"], front) == pressures(
        field.machines["cart"], front
    )


def test_a_tire_that_cannot_carry_it_is_said_with_both_numbers(field):
    """Load index 180 carries 8 000 kg at 240 kPa, far less at 40."""
    machine, _ = read_machine({"class": "combine_large"}, name="combine", folder=Path())
    body = machine.bodies[0]
    axles = tuple(
        type(axle)(
            **{
                **{f: getattr(axle, f) for f in axle.__struct_fields__},
                "contacts": tuple(
                    type(c)(
                        **{
                            **{f: getattr(c, f) for f in c.__struct_fields__},
                            "load_index": 180,
                            "ref_pressure_kpa": 240.0,
                        }
                    )
                    for c in axle.contacts
                ),
            }
        )
        for axle in body.axles
    )
    import msgspec

    told = msgspec.structs.replace(
        machine, bodies=(msgspec.structs.replace(body, axles=axles),)
    )
    rig = dataclasses.replace(field, machines={**field.machines, "combine": told})
    _, notes = changed_field(rig, Change(name="a", pressure_kpa={"combine": 40}))
    (low,) = [n for n in notes if n.code == "season.pressure_low"]
    assert low.severity == "check"
    assert "would be overloaded" in low.sentence
    assert "would have 40 kPa" in low.sentence
    _, notes = changed_field(rig, Change(name="a", pressure_kpa={"combine": 900}))
    assert [n.code for n in notes] == []


def test_a_tire_nobody_knows_is_said(field):
    _, notes = changed_field(field, Change(name="a", pressure_kpa={"cart": 100}))
    (note,) = [n for n in notes if n.code == "season.pressure_unknown"]
    assert "tire maker's table" in note.sentence


def test_tracks_stand_in_and_keep_antenna_and_header(field):
    new, notes = changed_field(
        field, Change(name="a", instead={"combine": "combine_tracked"})
    )
    machine, old = new.machines["combine"], field.machines["combine"]
    assert machine.antenna == old.antenna
    assert machine.width == old.width == 9.144
    assert any(
        contact.kind == "track"
        for body in machine.bodies
        for axle in body.axles
        for contact in axle.contacts
    )
    assert "season.class_stands_in" in {n.code for n in notes}
    body = field.machines["cart"].bodies[1].id
    new, _ = changed_field(
        field, Change(name="a", instead={f"cart/{body}": "grain_cart_tracked"})
    )
    assert len(new.machines["cart"].bodies) == 2
    assert new.machines["cart"].bodies[0] == field.machines["cart"].bodies[0]


@pytest.mark.parametrize(
    ("instead", "sentence"),
    [
        ({"cart": "grain_cart_tracked"}, "is a rig of several bodies"),
        ({"combine": "grain_cart_tracked"}, "need a driven machine"),
        ({"combine": "combine_on_rails"}, "need one of the known classes"),
    ],
)
def test_a_class_that_does_not_fit_is_refused(field, instead, sentence):
    with pytest.raises(SettingsError, match=sentence):
        changed_field(field, Change(name="a", instead=instead))


def test_tracks_have_no_pressure_to_change(field):
    tracked, _ = changed_field(
        field, Change(name="a", instead={"combine": "combine_tracked"})
    )
    combine = tracked.machines["combine"]
    body = combine.bodies[0]
    import msgspec

    only = tuple(
        msgspec.structs.replace(
            axle, contacts=tuple(c for c in axle.contacts if c.kind == "track")
        )
        for axle in body.axles
        if any(c.kind == "track" for c in axle.contacts)
    )
    bare = msgspec.structs.replace(
        combine, bodies=(msgspec.structs.replace(body, axles=only),)
    )
    rig = dataclasses.replace(field, machines={"combine": bare})
    with pytest.raises(SettingsError, match="has no tires there"):
        changed_field(rig, Change(name="a", pressure_kpa={"combine": 100}))


def test_every_pass_moves_by_the_days_and_keeps_its_order(field):
    new, _ = changed_field(field, Change(name="a", days_later=5))
    moved = new.fixes["time"] - field.fixes["time"]
    assert (moved.dropna() == pd.Timedelta(days=5)).all()
    assert new.fixes["time"].dtype == field.fixes["time"].dtype
    assert np.array_equal(new.fixes["seconds"], field.fixes["seconds"])


def test_days_without_weather_are_refused(field):
    with pytest.raises(InputError, match="need weather on every day with a pass"):
        changed_field(field, Change(name="a", days_later=40))
    with pytest.raises(InputError, match="need weather on every day with a pass"):
        changed_field(field, Change(name="a", days_later=-3))


def test_a_day_after_the_season_is_refused(field):
    import datetime as dt

    change = Change(name="a", days_later=2, days_later_from=dt.date(2199, 1, 1))
    with pytest.raises(InputError, match="no pass was made on 2199-01-01"):
        changed_field(field, change)
