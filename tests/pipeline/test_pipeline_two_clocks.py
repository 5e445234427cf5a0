"""A clock that is off is named by `check` and by a run, with what to write."""

from __future__ import annotations

import shutil

from trafficmap.cli import run_command


def test_check_names_the_clock_that_is_off(ditch_folder, tmp_path, capsys):
    folder = tmp_path / "field"
    shutil.copytree(ditch_folder, folder)
    path = folder / "field.toml"
    text = path.read_text(encoding="utf-8")
    cart = 'machine = "cart"\n'
    assert text.count(cart) == 3
    path.write_text(text.replace(cart, f"{cart}clock_offset_s = -61.0\n"), "utf-8")
    assert run_command(["-q", "check", str(folder)]) == 0
    told = capsys.readouterr().out.splitlines()
    (line,) = [line for line in told if "its clock in" in line]
    names = "cart_1002.gpkg, cart_1015.gpkg, cart_1016.gpkg"
    assert line.startswith(
        f"Look at: cart: its clock in {names} seems 61 s behind that of combine"
    )
    assert line.endswith("put clock_offset_s = 0 (instead of -61) under its [[log]].")


def test_clocks_that_agree_are_not_spoken_of(ditch):
    codes = {note.code for note in ditch.notes}
    assert "loads.clocks_apart" not in codes
    # The sample's cart has a hole in its log while the combine unloaded.
    assert "loads.transfer_missing" in codes
    assert "loads.flow_lag" in codes
