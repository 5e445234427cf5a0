"""The correction a log names reaches headings and the pairing of machines."""

from __future__ import annotations

import numpy as np
import pytest

from trafficmap.core.settings.loads import LoadSettings
from trafficmap.field.model import Crop
from trafficmap.loads import payload, wheel_paths
from trafficmap.loads import transfer as transfer_module
from trafficmap.loads.received import poorest_received
from trafficmap.machines.model import SIGMAS
from trafficmap.tracks.ground import LogFacts

SETTINGS = LoadSettings()


def test_another_correction_takes_its_own_errors_along(machine):
    rig = machine("c", **{"class": "combine_large", "correction": "rtk"})
    assert rig.received_with(None) is rig
    assert rig.received_with("rtk") is rig
    phone = rig.received_with("phone")
    assert phone.correction == "phone"
    assert phone.sigma_within >= SIGMAS["phone"][0]
    assert phone.sigma_between == SIGMAS["phone"][1]
    assert phone.bodies[0].axles == rig.bodies[0].axles
    assert phone.antenna.x == rig.antenna.x


def test_the_poorest_of_the_logs_of_a_machine_pairs_its_tracks(log, machine):
    t = np.arange(0.0, 30.0)
    import pandas as pd

    fixes = pd.concat(
        [log("c", k, t + 100.0 * k, 0.0, 2.0 * t, "working") for k in range(3)]
    )
    rigs = {"c": machine("c", **{"class": "combine_large", "correction": "rtk"})}
    assert poorest_received(rigs, fixes, ()) is rigs
    said = [LogFacts(1, correction="sbas"), LogFacts(2, correction="submetre")]
    assert poorest_received(rigs, fixes, said)["c"].correction == "sbas"
    # The first log still has the machine's own.
    better = [LogFacts(k, correction="ppp") for k in range(3)]
    assert poorest_received(rigs, fixes, better)["c"].correction == "ppp"


@pytest.mark.parametrize(("said", "window"), [(None, 5), ("phone", 27)])
def test_the_window_of_a_pair_follows_the_log(
    log, tables, machine, monkeypatch, said, window
):
    t = np.arange(0.0, 300.0)
    combine = log("c", 0, t, 0.0, 1.5 * t, "working", mass_flow=8.0, width=9.0)
    cart = log("k", 1, t, 5.0, 1.5 * t, "hauling")
    import pandas as pd

    fixes, passes = tables(pd.concat([combine, cart], ignore_index=True))
    rigs = {
        "c": machine("c", **{"class": "combine_large", "correction": "rtk"}),
        "k": machine("k", **{"class": "grain_cart_single", "correction": "rtk"}),
    }
    windows = []
    made = transfer_module.second_tracks

    def watched(*args, **more):
        tracks = made(*args, **more)
        windows.append(tracks[0].window)
        return tracks

    monkeypatch.setattr(transfer_module, "second_tracks", watched)
    facts = [] if said is None else [LogFacts(k, correction=said) for k in (0, 1)]
    payload(
        fixes, passes, machines=rigs, crop=Crop(), liquid=(), settings=SETTINGS,
        logs=facts,
    )  # fmt: skip
    assert min(windows) == window


def test_the_heading_is_taken_over_a_longer_way_where_places_are_poor(
    log, tables, machine
):
    t = np.arange(0.0, 200.0)
    noise = 0.8 * np.random.default_rng(5).standard_normal(t.size)
    fixes, passes = tables(log("c", 0, t, noise, 2.0 * t, "working", width=9.0))
    rigs = {"c": machine("c", **{"class": "combine_large", "correction": "rtk",
                          "antenna": {"x": 0.0, "y": 0.0}})}  # fmt: skip
    carried, _ = payload(
        fixes, passes, machines=rigs, crop=Crop(), liquid=(), settings=SETTINGS
    )
    told = {"machines": rigs, "payload": carried, "settings": SETTINGS}
    sure, _ = wheel_paths(fixes, passes, **told)
    poor, _ = wheel_paths(fixes, passes, logs=[LogFacts(0, correction="phone")], **told)
    assert np.std(np.sin(poor.heading)) < 0.5 * np.std(np.sin(sure.heading))
    same, _ = wheel_paths(fixes, passes, logs=[LogFacts(7, correction="phone")], **told)
    np.testing.assert_array_equal(same.heading, sure.heading)
