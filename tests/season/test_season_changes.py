"""The file of changes: what it may say, and what is refused in one sentence."""

from __future__ import annotations

import math

import pytest

from trafficmap.core.errors import InputError, SettingsError, TrafficmapError
from trafficmap.season.changes import (
    Change,
    added_cost,
    pressures_set,
    read_changes,
    together,
)


@pytest.fixture
def read(tmp_path, farm):
    def reader(text):
        path = tmp_path / "changes.toml"
        path.write_text(text, encoding="utf-8")
        return read_changes(path, machines=farm.machines)

    return reader


def test_every_key_is_read_in_its_unit(read):
    changes = read(
        """
[half_cart]
say = "cart half full"
fill = { cart = 0.5 }
[soft]
pressure_psi = { cart = 15 }
pressure_kpa = { combine = 150 }
yearly_cost = 200
hour_cost = 90
[ends]
unload_at_ends = true
[tracks]
carts_on_combine_tracks = true
[lanes]
lanes_every_ft = 30
lanes_heading_deg = 0
lanes_through = [-86.0, 41.0]
[other]
instead = { combine = "combine_tracked" }
[later]
days_later = 5
days_later_from = 2026-10-10
"""
    )
    assert [c.name for c in changes] == [
        "half_cart",
        "soft",
        "ends",
        "tracks",
        "lanes",
        "other",
        "later",
    ]
    by_name = {c.name: c for c in changes}
    assert by_name["half_cart"].words == "cart half full"
    assert by_name["lanes"].lane_spacing == pytest.approx(9.144)
    assert pressures_set(by_name["soft"]) == {
        "cart": pytest.approx(103_421.36, rel=1e-6),
        "combine": 150_000.0,
    }
    assert "5 days later from 2026-10-10 on" in by_name["later"].words
    whole, why = together(changes)
    assert why == ""
    assert whole.fill == {"cart": 0.5}
    assert whole.days_later == 5
    assert whole.yearly_cost == 200
    assert whole.unload_at_ends


def test_cost_is_what_was_told():
    assert math.isnan(added_cost(Change(name="a"), hours=3.0))
    told = Change(name="a", yearly_cost=100.0, hour_cost=50.0)
    assert added_cost(told, hours=3.0) == 250.0
    assert added_cost(told, hours=-3.0) == 100.0


def test_two_that_disagree_are_not_driven_together():
    one = Change(name="one", fill={"cart": 0.5})
    two = Change(name="two", fill={"cart": 0.7})
    whole, why = together([one, two])
    assert whole is None
    assert why == (
        "one and two say different things of cart, so they are not driven together."
    )
    psi = Change(name="psi", pressure_psi={"cart": 15})
    kpa = Change(name="kpa", pressure_kpa={"cart": 100})
    assert together([psi, kpa])[0] is None


@pytest.mark.parametrize(
    ("text", "sentence", "hint"),
    [
        ("", "names no change", "fill = { cart = 0.5 }"),
        ("fill = 1", "fill stands outside a table", "my_change"),
        ("[a]", "changes nothing", "use one of"),
        ("[a]\nfil = { cart = 0.5 }", "a.fil is not a known key", "write fill"),
        ("[a]\nfill = { cart = 2.0 }", "a.fill", "mend fill"),
        ("[a]\nfill = { kart = 0.5 }", "names 'kart', need a machine", "write cart"),
        ("[a]\nfill = { combine = 0.5 }", "is a combine", "unload_at_ends"),
        (
            '[a]\npressure_psi = { "cart/nobody" = 15 }',
            "cart has no 'nobody'",
            "grain_cart",
        ),
        ("[a]\npressure_psi = { cart = 300 }", "need 10 to 1000", "pressure_psi"),
        (
            "[a]\npressure_psi = { cart = 15 }\npressure_times = { cart = 0.5 }",
            "gives the pressure of cart twice",
            "keep one",
        ),
        ("[a]\nlanes_heading_deg = 0\nunload_at_ends = true", "how far apart", "add"),
        (
            "[a]\nlanes_every_m = 9\nlanes_every_ft = 30",
            "spacing of its lanes twice",
            "keep",
        ),
        (
            "[a]\ndays_later_from = 2026-10-10\nfill = {cart=0.5}",
            "needs days_later",
            "",
        ),
        ('["all together"]\nfill = { cart = 0.5 }', "cannot be named so", "table"),
        ("[a\n", "cannot be read as TOML", "mend"),
    ],
)
def test_what_is_refused(read, text, sentence, hint):
    with pytest.raises(TrafficmapError) as found:
        read(text)
    assert sentence in found.value.sentence
    assert hint in found.value.hint
    assert found.value.exit_code == 3


def test_a_missing_file_and_too_many_changes(read, tmp_path, farm):
    with pytest.raises(InputError, match="there is no such file"):
        read_changes(tmp_path / "none.toml", machines=farm.machines)
    many = "".join(f"[c{k}]\nunload_at_ends = true\n" for k in range(13))
    with pytest.raises(SettingsError, match="names 13 changes, need at most 12"):
        read(many)
