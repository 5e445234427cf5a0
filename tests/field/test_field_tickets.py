"""Tickets and the yields of what was cut: from field.toml to SI."""

from __future__ import annotations

import re

import pytest

from trafficmap.core.errors import InputError, SettingsError
from trafficmap.core.tables import TICKETS, require_table
from trafficmap.field import read_field


def crop(text):
    return f"[crop]\n{text}\n"


def test_yields_of_what_was_cut_and_of_what_comes(make_field):
    field, _ = read_field(
        make_field(
            more=crop(
                'now = "corn"\nnext = "soybean"\nyield_t_ha = 3.5\n'
                "harvested_yield_bu_ac = 200\nforage_yield_t_ha = 45"
            )
        )
    )
    # 200 bu x 25.401 kg / 4 046.86 m2 = 1.2554 kg/m2; the bushel is that of corn.
    assert field.crop.yield_harvested == pytest.approx(1.2554, abs=1e-4)
    assert field.crop.yield_expected == pytest.approx(0.35)
    assert field.crop.yield_forage == pytest.approx(4.5)


def test_the_sum_of_all_tickets(make_field):
    field, _ = read_field(make_field(more=crop("tickets_t = 512.3")))
    assert field.tickets["mass"].tolist() == pytest.approx([512300.0])
    field, _ = read_field(make_field(more=crop('now = "corn"\ntickets_bu = 1000')))
    # 56 000 lb
    assert field.tickets["mass"].iloc[0] == pytest.approx(25401.2, abs=0.1)


def test_no_ticket_is_an_empty_table(make_field):
    field, _ = read_field(make_field())
    assert require_table(field.tickets, TICKETS).empty


def test_tickets_one_by_one_and_from_a_table(make_field):
    more = """
[[ticket]]
mass_lb = 54321
day = 2026-10-15
name = "A7"
[[ticket]]
file = "scale.csv"
"""
    folder = make_field(more=more)
    (folder / "scale.csv").write_text(
        "Ticket,Date,Net (lb)\n101,2026-10-15,50000\n102,2026-10-16,\n103,2026-10-16,"
        "52000\n",
        encoding="utf-8",
    )
    field, notes = read_field(folder)
    table = require_table(field.tickets, TICKETS)
    assert table["mass"].tolist() == pytest.approx(
        [54321 * 0.45359237, 50000 * 0.45359237, 52000 * 0.45359237]
    )
    assert table["name"].tolist() == ["A7", "101", "103"]
    assert [str(day)[:10] for day in table["day"]] == [
        "2026-10-15",
        "2026-10-15",
        "2026-10-16",
    ]
    (note,) = [n for n in notes if n.code == "tickets.empty"]
    assert note.sentence == "scale.csv: 1 tickets hold no mass and are left out."
    assert "scale.csv" in {item["name"] for item in field.inputs}


def test_a_ticket_below_zero_is_refused(make_field):
    folder = make_field(more='[[ticket]]\nfile = "scale.csv"\n')
    (folder / "scale.csv").write_text(
        "day,net_t\n2026-10-15,12.0\n2026-10-15,-3.0\n", encoding="utf-8"
    )
    with pytest.raises(InputError, match=re.escape("scale.csv, load 2 is not above")):
        read_field(folder)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[[ticket]]\nday = 2026-10-15", "ticket[1] has neither of file and mass_t"),
        ("[[ticket]]\nfile = 'x'\nmass_t = 3", "ticket[1] has both of file and mass_t"),
        (
            "[crop]\ntickets_t = 9\n[[ticket]]\nmass_t = 3",
            "crop.tickets_t and [[ticket]] are both given.",
        ),
        (
            "[crop]\nharvested_yield_t_ha = 9\nharvested_yield_bu_ac = 3",
            "crop.harvested_yield_t_ha and crop.harvested_yield_bu_ac are both given.",
        ),
        (
            '[crop]\nnow = "kale"\nharvested_yield_bu_ac = 3',
            'crop.harvested_yield_bu_ac needs the mass of a bushel of "kale"',
        ),
        (
            '[crop]\nnow = "kale"\ntickets_bu = 3',
            'crop.tickets_bu needs the mass of a bushel of "kale"',
        ),
    ],
)
def test_what_contradicts_itself_is_refused(make_field, text, sentence):
    with pytest.raises(SettingsError, match=re.escape(sentence)):
        read_field(make_field(more=text))
