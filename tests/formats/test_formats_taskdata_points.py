"""Boundaries whose points are in binary files of their own, version 4."""

from __future__ import annotations

import struct
import zipfile

import numpy as np
import pytest
from made_taskdata import write_set

from trafficmap.core.errors import InputError
from trafficmap.field.boundary import read_boundary
from trafficmap.formats.isoxml import read_task_data
from trafficmap.formats.isoxml.files import UntrustedError

SQUARE = [(-93.62, 42.03), (-93.61, 42.03), (-93.61, 42.04), (-93.62, 42.04)]
HOLE = [(-93.616, 42.034), (-93.614, 42.034), (-93.614, 42.036)]


def packed(points, *, form="<Bqq", more=lambda k: ()):
    """Return records of type, north and east, and whatever else `form` asks for."""
    return b"".join(
        struct.pack(form, 2, round(north * 1e16), round(east * 1e16), *more(k))
        for k, (east, north) in enumerate(points)
    )


def field_set(folder, rings, files):
    """Write a set with one field: `rings` are the LSG, `files` the PNT files."""
    body = f'<PFD A="PFD1" C="North"><PLN A="1">{"".join(rings)}</PLN></PFD>'
    write_set(folder, body, {})
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return folder


def outer(name, header='A="" C="" D=""'):
    return f'<LSG A="1"><PNT {header} J="{name}"/></LSG>'


def test_ring_and_hole_in_two_files(tmp_path):
    hole = '<LSG A="2"><PNT A="" C="" D="" J="PNT00002"/></LSG>'
    folder = field_set(
        tmp_path / "set",
        [outer("PNT00001"), hole],
        {"PNT00001.BIN": packed(SQUARE), "pnt00002.bin": packed(HOLE)},
    )
    data = read_task_data(folder)
    assert data.notes == ()
    (polygon,) = data.partfields[0].boundary.geoms
    np.testing.assert_allclose(polygon.exterior.coords[:4], SQUARE, atol=1e-13)
    assert len(polygon.interiors) == 1
    outline, _ = read_boundary(folder, part=None)
    assert outline.area == pytest.approx(828.0 * 1110.7, rel=0.02)


@pytest.mark.parametrize(
    ("header", "form", "more"),
    [
        ('A="" C="" D="" E=""', "<Bqqi", lambda k: (250_000 + k,)),
        ('A="" C="" D="" F=""', "<BqqB", lambda k: (k,)),
        ('A="" C="" D="" E="" F="" H="" I=""', "<BqqiBHH", lambda k: (k, 3, 20, 40)),
    ],
)
def test_every_field_a_record_may_hold(tmp_path, header, form, more):
    content = {"PNT00001.BIN": packed(SQUARE, form=form, more=more)}
    folder = field_set(tmp_path / "set", [outer("PNT00001", header)], content)
    (polygon,) = read_task_data(folder).partfields[0].boundary.geoms
    np.testing.assert_allclose(polygon.exterior.coords[:4], SQUARE, atol=1e-13)


def test_a_type_that_holds_for_all_points_is_not_in_the_records(tmp_path):
    content = b"".join(
        struct.pack("<qq", round(n * 1e16), round(e * 1e16)) for e, n in SQUARE
    )
    ring = outer("PNT00001", 'A="2" C="" D=""')
    folder = field_set(tmp_path / "set", [ring], {"PNT00001.BIN": content})
    (polygon,) = read_task_data(folder).partfields[0].boundary.geoms
    np.testing.assert_allclose(polygon.exterior.coords[:4], SQUARE, atol=1e-13)


def test_points_of_both_kinds_in_one_ring_and_in_a_zip(tmp_path):
    plain = '<PNT A="2" C="42.045" D="-93.615"/>'
    ring = f'<LSG A="1"><PNT A="" C="" D="" J="PNT00001"/>{plain}</LSG>'
    folder = field_set(
        tmp_path / "set", [ring], {"PNT00001.BIN": packed([*SQUARE[:3], (0.0, 0.0)])}
    )
    path = tmp_path / "set.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for member in folder.iterdir():
            archive.write(member, f"TASKDATA/{member.name}")
    for where in (folder, path):
        data = read_task_data(where)
        (polygon,) = data.partfields[0].boundary.geoms
        assert polygon.exterior.coords[3] == (-93.615, 42.045)
        assert [note.code for note in data.notes] == ["iso.bad_points"]


@pytest.mark.parametrize(
    ("content", "header", "words"),
    [
        (packed(SQUARE)[:-3], 'A="" C="" D=""', "has 65 bytes, need a whole number"),
        (b"", 'A="" C="" D=""', "has 0 bytes"),
        (packed([(-93.0, 420.0)]), 'A="" C="" D=""', "none on the earth"),
        (packed(SQUARE), 'A="" C="42.0" D=""', "gives all points one place"),
    ],
)
def test_a_file_that_cannot_be_used_costs_its_stretch_only(
    tmp_path, content, header, words
):
    rings = [outer("PNT00001", header), outer("PNT00002")]
    files = {"PNT00001.BIN": content, "PNT00002.BIN": packed(SQUARE)}
    data = read_task_data(field_set(tmp_path / "set", rings, files))
    assert len(data.partfields[0].boundary.geoms) == 1
    (note,) = data.notes
    assert note.code == "iso.points_outside"
    assert words in note.sentence
    assert "North: a stretch of its boundary was left out." in note.sentence


def test_a_name_that_leads_out_of_the_folder_is_refused(tmp_path):
    folder = field_set(tmp_path / "set", [outer("../../secret")], {})
    with pytest.raises(UntrustedError, match="three letters and digits"):
        read_task_data(folder)
    assert issubclass(UntrustedError, InputError)
