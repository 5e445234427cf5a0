"""When each zone is fit, in words, and the facts of the trade as scenarios.

The scenarios are common practice, no source: end rows the cart has packed are the last
to be fit, ground under two coats of liquid comes later, and a pass that cannot hold its
depth is stopped and not made shallower in silence.
"""

from __future__ import annotations

import importlib
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.settings import Settings
from trafficmap.core.tables import WHEN, WINDOWS, require_table
from trafficmap.plan import when_words
from trafficmap.plan.when import tips_by_soil, verdict, when
from trafficmap.soil.hours import FitHours

SETTINGS = Settings()
# The room offers the function by the name of its module.
ROOM = importlib.import_module("trafficmap.plan.when")
DAYS = 4
N = 24 * DAYS
START = pd.Timestamp("2026-11-21")


def hours(shatters="shatters", carries="carries", **more) -> FitHours:
    """Hours with words one an hour, or one for all."""
    plain = {
        "start": pd.DatetimeIndex(START + pd.Timedelta(hours=1) * np.arange(N)),
        "shatters": _all(shatters),
        "probability": np.full(N, 0.9),
        "worst_depth": np.full(N, 0.25),
        "carries": _all(carries),
        "ground": _all("not frozen"),
        "frozen": np.zeros(N),
        "thawed": np.zeros(N),
        "rain": np.zeros(N),
    }
    return FitHours(**(plain | more))


def _all(words):
    return np.array(
        [words] * N if isinstance(words, str) else list(words), dtype=object
    )


def after(day: int, before: str, then: str) -> list[str]:
    """Return one word until a day, and another from it on."""
    return [before] * (24 * day) + [then] * (24 * (DAYS - day))


@pytest.fixture
def ask(monkeypatch):
    """Return a function that answers for zones whose hours are given."""

    def run(*zones, units="us", shut=(False, np.nan, None), trials=(), dug=None):
        rows, answers = [], {}
        for k, zone in enumerate(zones):
            rows.append(
                {"zone": k + 1, "unit": k, "kind": "body", "advice": "wait",
                 "depth": np.nan, "layer_bottom": 0.28} | zone
            )  # fmt: skip
            answers[k] = rows[-1].pop("hours", None) or hours()
        table = pd.DataFrame(
            {
                "unit": range(len(zones)),
                "kind": [row["kind"] for row in rows],
                "column": range(len(zones)),
                "rolls": [()] * len(zones),
                "rolled_on": pd.NaT,
                "trial": [
                    trials[k] if k < len(trials) else "" for k in range(len(zones))
                ],
                "trial_on": pd.Timestamp("2026-11-20") if dug is None else dug,
            }
        )
        asked = []

        def fake(ahead, **given):
            asked.append(given)
            return answers[given["column"]]

        monkeypatch.setattr(ROOM, "fit_hours", fake)
        monkeypatch.setattr(ROOM, "hourly_ground", lambda *a, **k: 1)
        monkeypatch.setattr(ROOM, "closed", lambda *a, **k: shut)
        field = SimpleNamespace(
            units=units, time_zone="America/Chicago", forecast=None, latitude=42.0,
            weather=None,
        )  # fmt: skip
        found, notes = when(
            pd.DataFrame(rows), units=SimpleNamespace(table=table),
            ahead=SimpleNamespace(series=None, forecast=None), field=field,
            settings=SETTINGS,
        )  # fmt: skip
        require_table(found.windows, WINDOWS)
        require_table(found.zones, WHEN)
        return found, notes, asked

    return run


@pytest.mark.parametrize("carries", ["carries", "may rut", "does not carry", "unknown"])
@pytest.mark.parametrize(
    "shatters",
    ["shatters", "hard", "trial pass", "test by hand", "too wet", "too hard", "frozen",
     "rain", "snow", "unknown"],
)  # fmt: skip
def test_fit_needs_both_answers(shatters, carries):
    word = verdict(shatters, carries)
    assert (word == "fit") == (shatters == "shatters" and carries == "carries")
    if shatters in ("too wet", "too hard", "frozen", "rain", "snow"):
        assert word == "not fit"
    if carries == "does not carry":
        assert word == "not fit"
    if "unknown" in (shatters, carries):
        assert word in ("not known", "not fit")


def test_hours_of_one_answer_are_one_window_and_fill_the_forecast(ask):
    told = hours(after(1, "too wet", "test by hand"), after(2, "may rut", "carries"))
    found, _, _ = ask({"hours": told})
    rows = found.windows
    assert rows["hours"].tolist() == [24, 24, 48]
    assert rows["verdict"].tolist() == ["not fit", "test by hand", "test by hand"]
    assert rows["end"].tolist()[:-1] == rows["start"].tolist()[1:]
    assert rows["lasts"].tolist() == [False, False, True]
    assert rows["start"].iloc[0] == "2026-11-21T00:00-06:00"
    assert found.until == rows["end"].iloc[-1] == "2026-11-25T00:00-06:00"


def test_both_questions_have_their_own_answer_and_reason(ask):
    told = hours(
        after(2, "too wet", "test by hand"), after(1, "does not carry", "carries")
    )
    found, _, _ = ask({"hours": told})
    zone = found.zones.iloc[0]
    assert zone["shatter"] == (
        "Will it shatter to 13 in (33 cm)? Perhaps 23 Nov to the end of the forecast: "
        "may be dry enough at 10 in (25 cm), the model alone cannot say. No 21 to 22 "
        "Nov: too wet at 10 in (25 cm): it would smear."
    )
    assert zone["carry"] == (
        "Will it carry? Yes 22 Nov to the end of the forecast. No 21 Nov: wet soil, "
        "ruts."
    )
    assert zone["look"] == (
        "Look next on 23 Nov: the hand test decides to the end of the forecast."
    )
    assert (zone["fit_hours"], zone["test_hours"]) == (0.0, 48.0)
    assert zone["first"] == "2026-11-23T00:00-06:00"
    assert zone["carry_hours"] == 72.0


def test_metric_words_come_first_on_a_metric_farm(ask):
    found, _, _ = ask({"hours": hours("too wet")}, units="metric")
    told = found.zones["shatter"].iloc[0]
    assert "Will it shatter to 31 cm (12 in)?" in told
    assert "too wet at 25 cm (10 in)" in told


def test_a_window_that_is_fit_is_looked_for_before_one_to_test(ask):
    words = ["test by hand"] * 24 + ["too wet"] * 24 + ["shatters"] * 24 + ["rain"] * 24
    carries = ["carries"] * 72 + ["rain"] * 24
    found, _, _ = ask({"hours": hours(words, carries)})
    assert found.zones["look"].iloc[0] == (
        "Look next on 23 Nov: it looks fit until the end of 23 Nov."
    )
    assert found.zones["first"].iloc[0] == "2026-11-21T00:00-06:00"


def test_frost_and_mud_over_frost_are_said(ask):
    ground = ["frozen crust"] * 48 + ["thawed over frozen"] * 48
    told = hours(
        "frozen", ["may rut"] * 48 + ["does not carry"] * 48, ground=_all(ground),
        frozen=np.full(N, 0.09),
    )  # fmt: skip
    found, _, _ = ask({"hours": told})
    zone = found.zones.iloc[0]
    assert (
        "No through the whole forecast, to the end of 24 Nov: frozen."
        in zone["shatter"]
    )
    assert found.windows["frozen"].tolist() == pytest.approx([0.09, 0.09])
    assert "a thin crust over wet soil" in zone["carry"]
    assert "thawed mud over frozen ground: slick" in zone["carry"]


def test_ground_that_is_left_waits_for_no_weather(ask):
    found, notes, _ = ask(
        {"advice": "leave"}, {"advice": "keep out", "kind": "keep_out"},
        {"advice": "leave", "kind": "strip"},
    )  # fmt: skip
    assert not len(found.windows)
    assert [note.code for note in notes] == ["when.none"]


def test_levelling_asks_for_a_dry_top_and_nothing_deeper(ask):
    told = hours(after(1, "too wet", "shatters"))
    found, notes, asked = ask(
        {"advice": "level ruts only", "hours": told}, shut=(True, 0.35, None),
        trials=["rides out"],
    )  # fmt: skip
    assert asked[0]["top_only"]
    assert asked[0]["tip_depth"] == pytest.approx(0.10)
    zone = found.zones.iloc[0]
    assert zone["job"] == "level ruts"
    assert zone["shatter"].startswith("Is the top dry to 4 in (10 cm), for levelling?")
    # The season for deep work and a trial of the ripper do not concern it.
    assert not zone["closed"]
    assert found.windows["verdict"].tolist() == ["not fit", "fit"]
    assert [note.code for note in notes] == ["when.none"]


def test_asked_for_the_depth_of_the_work_and_14_in_where_nobody_knows(ask):
    _, _, asked = ask(
        {"advice": "rip", "depth": 0.33}, {"layer_bottom": 0.28},
        {"layer_bottom": np.nan},
    )  # fmt: skip
    tips = [given["tip_depth"] for given in asked]
    assert tips == pytest.approx([0.33, 13 * 0.0254, 14 * 0.0254])


def test_the_season_has_closed_and_the_sentence_says_why(ask):
    found, notes, _ = ask({"hours": hours("too wet")}, shut=(True, 0.35, None))
    zone = found.zones.iloc[0]
    assert zone["closed"]
    assert zone["look"].startswith("The season for deep work has closed here: at 14 in")
    assert "30 days without rain would not dry it" in zone["look"]
    assert [note.code for note in notes] == ["when.closed", "when.hours"]
    assert "zone 1" in notes[0].sentence


def test_a_season_is_not_closed_where_a_hand_test_may_open_it(ask):
    found, notes, _ = ask({"hours": hours("test by hand")}, shut=(True, 0.35, None))
    assert not found.zones["closed"].any()
    assert "when.closed" not in [note.code for note in notes]


def test_next_time_to_look_beyond_the_forecast(ask):
    dry = pd.Timestamp("2026-12-03")
    found, _, _ = ask({"hours": hours("too wet")}, shut=(False, np.nan, dry))
    assert found.zones["look"].iloc[0].startswith("Look again on 3 Dec if no more rain")
    found, _, _ = ask({"hours": hours("frozen")}, shut=(False, np.nan, START))
    assert found.zones["look"].iloc[0] == (
        "Look again when the forecast ends, the end of 24 Nov."
    )


def test_what_is_not_known_asks_for_a_new_forecast(ask):
    found, _, _ = ask({"hours": hours("unknown", "unknown")})
    zone = found.zones.iloc[0]
    assert "Not known through the whole forecast" in zone["shatter"]
    assert "new forecast" in zone["look"]
    assert set(found.windows["verdict"]) == {"not known"}


@pytest.mark.parametrize("word", ["shatters", "too wet", "unknown"])
def test_it_always_ends_with_the_hand_test_and_a_dug_trial_pass(ask, word):
    _, notes, _ = ask({"hours": hours(word)})
    told = next(note for note in notes if note.code == "when.hours")
    assert told.sentence.endswith(when_words.LAST)
    assert "roll the soil by hand" in when_words.LAST
    assert "trial pass of 100 ft (30 m)" in when_words.LAST


# Facts of the trade.


def test_a_pass_that_cannot_hold_its_depth_is_stopped(ask):
    found, _, _ = ask({"hours": hours("shatters")}, trials=["rides out"])
    rows = found.windows
    # The trial of the day before holds for two days, then another is asked for.
    assert rows["verdict"].tolist()[0] == "not fit"
    assert rows["shatters"].tolist()[0] == "too hard"
    why = rows["shatters_why"].iloc[0]
    assert "stop there" in why
    assert "a shallower pass does not reach the layer" in why
    assert (rows["tip_depth"] == rows["tip_depth"].iloc[0]).all()


def test_dry_hard_ground_asks_for_a_trial_and_says_when_to_stop(ask):
    found, _, _ = ask({"hours": hours("hard")})
    assert set(found.windows["verdict"]) == {"test by hand"}
    assert "if the shanks ride out stop there" in found.windows["shatters_why"].iloc[0]


@pytest.mark.parametrize("trial", ["slot", "smear", "clods"])
def test_a_trial_that_smeared_shuts_its_days(ask, trial):
    found, _, _ = ask({"hours": hours("shatters")}, trials=[trial])
    assert found.windows["shatters"].tolist()[0] == "too wet"


def test_a_trial_that_shattered_opens_its_days_until_rain(ask):
    rain = np.zeros(N)
    rain[12] = 0.01
    told = hours("test by hand", rain=rain)
    found, _, _ = ask({"hours": told}, trials=["shatters"])
    first = found.windows.iloc[0]
    assert (first["verdict"], first["hours"]) == ("fit", 12.0)
    assert found.windows["verdict"].iloc[1] == "test by hand"


def test_a_trial_of_an_unknown_day_says_nothing_of_the_days_ahead(ask):
    found, _, _ = ask({"hours": hours("shatters")}, trials=["smear"], dug=pd.NaT)
    assert set(found.windows["verdict"]) == {"fit"}


def test_end_rows_are_judged_as_packed_until_somebody_rolls_them(ask):
    _, _, asked = ask({"kind": "end_rows"}, {"kind": "body"})
    assert [given["packed"] for given in asked] == [True, False]


def test_zones_without_soil_or_water_are_counted(ask, monkeypatch):
    ask({})
    monkeypatch.setattr(ROOM, "hourly_ground", lambda *a, **k: None)
    zone = {"zone": 1, "unit": 0, "kind": "body", "advice": "wait", "depth": np.nan,
            "layer_bottom": np.nan}  # fmt: skip
    table = pd.DataFrame({"unit": [0], "kind": ["body"], "column": [0]})
    field = SimpleNamespace(
        units="us", time_zone=None, forecast=None, latitude=42.0, weather=None
    )
    found, notes = when(
        pd.DataFrame([zone]), units=SimpleNamespace(table=table),
        ahead=SimpleNamespace(series=None, forecast=None), field=field,
            settings=SETTINGS,
    )  # fmt: skip
    assert not len(found.zones)
    assert [note.code for note in notes] == ["when.unknown"]


def test_the_depths_of_each_soil_are_collected(ask):
    found, _, _ = ask({"layer_bottom": 0.28}, {"layer_bottom": np.nan}, {})
    zones = pd.DataFrame({"zone": [1, 2, 3], "unit": [0, 1, 2]})
    units = SimpleNamespace(
        table=pd.DataFrame({"unit": [0, 1, 2], "column": [0, 1, 0]})
    )
    columns = SimpleNamespace(units=("clay", "ridge"), unit_of_column=np.array([0, 1]))
    tips = tips_by_soil(found, zones, units, columns)
    assert tips == {"clay": (0.3302,), "ridge": (0.3556,)}
