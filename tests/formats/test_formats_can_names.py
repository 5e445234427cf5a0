"""Machines by the names their controllers claim on the network."""

from __future__ import annotations

import struct
import tomllib

import numpy as np
import pytest

from trafficmap.cli import run_command
from trafficmap.field.guess import guess_class
from trafficmap.formats.can_names import CLASSES, machine_of, read_name
from trafficmap.formats.logs import read_logs

START = 1_792_497_600
FIX = 0x09F8011C
CLAIM = 0x18EEFF00


def name(vehicle, *, industry=2, function=130, maker=100, serial=7):
    """Return the eight bytes of a name, least first, as the standard lays them."""
    bits = serial | maker << 21 | function << 40 | vehicle << 49 | industry << 60
    return struct.pack("<Q", bits | 1 << 63)


def network(tmp_path, *claims, count=90):
    """Write a log of a drive; a claim is (sender, bytes)."""
    lines = [
        f"({START}.5) can0 {CLAIM | sender:08X}#{data.hex().upper()}"
        for sender, data in claims
    ]
    for k in range(count):
        place = struct.pack("<ii", round((42.03 + k * 2e-5) * 1e7), -936_200_000)
        lines.append(f"({START + k + 1}.0) can0 {FIX:08X}#{place.hex().upper()}")
    path = tmp_path / "bus.log"
    path.write_text("\n".join(lines) + "\n")
    return path


def test_the_parts_of_a_name():
    (value,) = struct.unpack("<Q", name(6, function=29, maker=513))
    one = read_name(value)
    assert (one.industry, one.vehicle, one.function, one.maker) == (2, 6, 29, 513)


@pytest.mark.parametrize(
    ("claims", "machine", "class_name"),
    [
        ([(0x1C, name(7))], "combine", "combine_mid"),
        # Most receivers say no class of their own: what drives counts.
        ([(0x1C, name(0)), (0xF0, name(1)), (0x80, name(6))], "tractor",
         "tractor_front_assist"),
        ([(0x80, name(6))], "sprayer", "sprayer"),
        ([(0x80, name(8)), (0x81, name(1))], "beet harvester", "beet_harvester"),
        ([(0x80, name(11))], "trailer", "forage_trailer"),
    ],
)  # fmt: skip
def test_the_machine_of_a_network(tmp_path, claims, machine, class_name):
    (log,) = read_logs(network(tmp_path, *claims))
    assert log.machine == machine
    (finding,) = [f for f in log.findings if f.field == "machine"]
    assert finding.column == "message 60928"
    assert machine in finding.why
    assert guess_class("bus", log)[0] == class_name


@pytest.mark.parametrize("claims", [[], [(0x1C, name(7, industry=3))], [(3, name(0))]])
def test_names_that_say_nothing(tmp_path, claims):
    (log,) = read_logs(network(tmp_path, *claims))
    assert log.machine == ""
    assert "machine" not in {f.field for f in log.findings}


def test_the_last_claim_of_an_address_counts():
    data = np.frombuffer(name(1) + name(7), dtype=np.uint8).reshape(2, 8)
    assert machine_of(data, np.array([5, 5]), receiver=5)[0] == "combine"


def test_every_word_leads_to_a_class_of_its_own_or_to_a_tractor():
    for word in CLASSES.values():
        class_name, why = guess_class(word)
        assert why == "by its name" or word in ("planter", "spreader"), word
        assert class_name


def test_new_names_the_machine_after_it(tmp_path, capsys):
    log = network(tmp_path, (0x1C, name(0)), (0xF0, name(1)), (0x80, name(6)))
    assert run_command(["new", str(tmp_path / "field"), str(log)]) == 0
    capsys.readouterr()
    keys = tomllib.loads((tmp_path / "field" / "field.toml").read_text("utf-8"))
    assert list(keys["machine"]) == ["tractor"]
