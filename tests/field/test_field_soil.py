"""Soil: classes, survey tables, and what is done about holes in them."""

from __future__ import annotations

import json
import re

import pandas as pd
import pytest

from trafficmap.core.errors import InputError
from trafficmap.field.columns import Columns
from trafficmap.field.horizons import class_profile, settle_horizons
from trafficmap.field.read import read_field


def table(text: str) -> Columns:
    rows = [line.split(",") for line in text.strip().splitlines()]
    frame = pd.DataFrame(rows[1:], columns=rows[0])
    return Columns(frame.replace("", None), name="table.csv")


def test_a_class_is_its_middle_with_poorer_subsoil(make_field):
    field, _ = read_field(make_field(more='[soil]\ntexture = "clay"\ndrained = true'))
    horizons = field.soil.horizons
    assert field.soil.assumed
    assert horizons["sand"].tolist() == [0.25, 0.25]  # Saxton & Rawls 2006, Table 3
    assert horizons["clay"].tolist() == [0.50, 0.50]
    assert horizons["organic_matter"].tolist() == [0.03, 0.01]
    assert horizons[["top", "bottom"]].to_numpy().tolist() == [[0, 0.3], [0.3, 1.0]]
    assert field.soil.units["texture"].tolist() == ["clay"]
    assert field.soil.units["drained"].tolist() == [True]
    assert field.soil.units.geometry.iloc[0].equals(field.boundary)


def test_a_sample_of_ones_own_beats_the_class(make_field):
    more = "[soil]\ntexture = 'clay'\nsand_pct = 20\nclay_pct = 41\n"
    more += "organic_matter_pct = 4.5"
    field, _ = read_field(make_field(more=more))
    assert field.soil.horizons["clay"].tolist() == [0.41, 0.41]
    assert field.soil.horizons["organic_matter"].tolist() == pytest.approx(
        [0.045, 0.015]
    )


def test_organic_matter_of_the_subsoil_follows_the_topsoil():
    profile = class_profile(0.1, 0.3, organic_matter=0.06, unit="a")
    assert profile["organic_matter"].tolist() == pytest.approx([0.06, 0.02])


def test_horizons_are_sorted_cut_and_closed():
    survey, notes = settle_horizons(
        table(
            "soil_unit,top_cm,bottom_cm,sand_pct,clay_pct,om_pct,bd_g_cm3\n"
            "a,50,150,30,20,1,1.5\n"  # below the last: cut at 1 m
            "a,0,25,10,40,3,1.3\n"  # overlaps the next by 5 cm
            "a,20,40,20,30,2,\n"  # ends 10 cm above the next
        )
    )
    rows = survey.horizons
    assert rows["top"].tolist() == [0.0, 0.2, 0.5]
    assert rows["bottom"].tolist() == [0.2, 0.5, 1.0]
    assert rows["clay"].tolist() == [0.4, 0.3, 0.2]
    assert rows["bulk_density"].iloc[0] == pytest.approx(1300.0)
    assert rows["bulk_density"].isna().tolist() == [False, True, False]
    assert [note.code for note in notes] == ["soil.patched"]


def test_a_good_profile_is_not_called_patched():
    _, notes = settle_horizons(
        table(
            "soil_unit,top_cm,bottom_cm,sand_pct,clay_pct,om_pct\n"
            "a,0,30,10,40,3\na,30,200,20,30,1\n"
        )
    )
    assert notes == []


def test_components_are_weighed_and_brought_to_one():
    survey, notes = settle_horizons(
        table(
            "cokey,hzdept.l,hzdept.r,hzdept.h,hzdepb.r,sandtotal.r,claytotal.r,om.r\n"
            "0011,,0,,100,10,40,3\n"
            "0012,,0,,100,50,10,2\n"
            "0013,,0,,100,,,\n"  # water: no soil
        ),
        components=table(
            "mukey,cokey,comppct.r,hydgrp\n042,0011,60,D\n042,0012,20,B\n042,0013,15,\n"
        ),
        mapunits=table("mukey,muname\n042,Ditch clay\n"),
    )
    rows = survey.horizons.set_index("component")
    assert rows["share"].to_dict() == pytest.approx({"11": 0.75, "12": 0.25})
    assert survey.names == {"42": "Ditch clay"}
    assert survey.groups == {"42": "D"}
    assert [note.code for note in notes] == ["soil.horizon_empty"]


def test_a_number_and_a_text_are_the_same_key():
    frame = pd.DataFrame({"soil_unit": [7.0, 8.0], "x": [1, 2]})
    assert Columns(frame, name="t").text("soil_unit").tolist() == ["7", "8"]


def test_missing_organic_matter_is_filled_and_told():
    survey, notes = settle_horizons(
        table(
            "soil_unit,top_cm,bottom_cm,sand_pct,clay_pct\n"
            "a,0,30,10,40\na,30,100,20,30\n"
        )
    )
    assert survey.horizons["organic_matter"].tolist() == [0.03, 0.01]
    assert notes[0].code == "soil.organic_matter"
    assert "3.0 % above 0.30 m" in notes[0].sentence


def test_fractions_are_read_as_fractions_when_said():
    survey, _ = settle_horizons(
        table(
            "soil_unit,top_m,bottom_m,sand_fraction,clay_fraction,om_pct\n"
            "a,0,1,0.1,0.4,3\n"
        )
    )
    assert survey.horizons["clay"].tolist() == [0.4]


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("soil_unit,top_cm,bottom_cm,sand_pct\na,0,9,1", "column 'clay' is missing"),
        (
            "soil_unit,top_cm,bottom_cm,sand_pct,silt_pct,clay_pct\na,0,9,10,10,10",
            "sand, silt and clay must sum to 100 %",
        ),
        (
            "soil_unit,top_cm,bottom_cm,sand_pct,clay_pct\na,0,9,,",
            "no horizon holds sand",
        ),
    ],
)
def test_a_table_that_cannot_be_soil(text, sentence):
    with pytest.raises(InputError, match=re.escape(sentence)):
        settle_horizons(table(text))


def test_components_of_another_export_do_not_join():
    with pytest.raises(InputError, match="no horizon belongs to a component"):
        settle_horizons(
            table("cokey,top_cm,bottom_cm,sand_pct,clay_pct\n1,0,9,10,10"),
            components=table("mukey,cokey,comppct_r\n5,2,90"),
        )


def strip(name: str, west: float, east: float, **more) -> dict:
    ring = [[west, 42.03], [east, 42.03], [east, 42.032], [west, 42.032], [west, 42.03]]
    return {
        "type": "Feature",
        "properties": {"soil_unit": name, **more},
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }


def collection(*features) -> str:
    return json.dumps({"type": "FeatureCollection", "features": list(features)})


def test_a_map_is_cut_to_the_field_and_joined_by_text(make_field):
    soil = collection(strip("007", -93.63, -93.619), strip("8", -93.619, -93.61))
    horizons = (
        "soil_unit,top_cm,bottom_cm,sand_pct,clay_pct,om_pct\n"
        "007,0,100,10,40,3\n8,0,100,40,20,2\n9,0,100,40,20,2\n"
    )
    folder = make_field(
        more='[soil]\nmap = "soil.geojson"\nhorizons = "horizons.csv"',
        files={"soil.geojson": soil, "horizons.csv": horizons},
    )
    field, notes = read_field(folder)
    units = field.soil.units
    assert units["texture"].tolist() == ["silty clay", "loam"]
    assert set(field.soil.horizons["soil_unit"]) == set(units["soil_unit"])
    # Edges straight in degrees bend by millimetres in metres.
    assert units.area.sum() == pytest.approx(field.boundary.area, rel=1e-4)
    assert not field.soil.assumed
    assert not [note for note in notes if note.code.startswith("soil")]


def test_a_unit_without_horizons_is_not_assessed(make_field):
    soil = collection(strip("a", -93.63, -93.619), strip("pit", -93.619, -93.61))
    horizons = "soil_unit,top_cm,bottom_cm,sand_pct,clay_pct,om_pct\na,0,100,10,40,3\n"
    folder = make_field(
        more='[soil]\nmap = "soil.geojson"\nhorizons = "horizons.csv"',
        files={"soil.geojson": soil, "horizons.csv": horizons},
    )
    field, notes = read_field(folder)
    said = [note.sentence for note in notes if note.code == "soil.unit_empty"]
    assert (
        "no horizons for soil unit pit; 50 % of the field is not assessed." in said[0]
    )
    assert field.soil.units["texture"].tolist() == ["silty clay", ""]


def test_a_map_of_classes_needs_no_horizons(make_field):
    soil = collection(
        strip("a", -93.63, -93.619, texture="Loam"),
        strip("b", -93.619, -93.61, texture="clay"),
    )
    folder = make_field(
        more='[soil]\nmap = "soil.geojson"', files={"soil.geojson": soil}
    )
    field, notes = read_field(folder)
    assert field.soil.assumed
    assert field.soil.units["texture"].tolist() == ["loam", "clay"]
    assert "soil.assumed" in {note.code for note in notes}


def test_a_class_nobody_knows_on_a_map(make_field):
    soil = collection(strip("a", -93.63, -93.61, texture="lomy"))
    folder = make_field(
        more='[soil]\nmap = "soil.geojson"', files={"soil.geojson": soil}
    )
    with pytest.raises(
        InputError, match="soil unit a has the texture 'lomy'"
    ) as caught:
        read_field(folder)
    assert caught.value.hint == 'write "loam"'


def test_horizons_of_two_units_need_a_map(make_field):
    horizons = (
        "soil_unit,top_cm,bottom_cm,sand_pct,clay_pct\na,0,99,10,40\nb,0,99,10,40\n"
    )
    folder = make_field(more='[soil]\nhorizons = "h.csv"', files={"h.csv": horizons})
    with pytest.raises(
        InputError, match="holds 2 soil units, a, b, but there is no map"
    ):
        read_field(folder)
