"""NMEA 0183 from any talker: sums, dates, midnights, sentences of one moment."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import reduce

import numpy as np
import pytest

from trafficmap.core.errors import InputError
from trafficmap.core.tables import RAW_FIXES, require_table
from trafficmap.formats.logs import read_logs
from trafficmap.formats.sniff import sniff

START = datetime(2024, 10, 12, 15, 30, 15, tzinfo=UTC)


def summed(body):
    return f"${body}*{reduce(lambda a, b: a ^ b, body.encode()):02X}"


def degrees(value, digits, letters):
    letter = letters[value < 0]
    whole, rest = divmod(abs(value) * 60, 60)
    return f"{int(whole):0{digits}d}{rest:010.7f},{letter}"


def clock(moment):
    return f"{moment:%H%M%S}.{moment.microsecond // 10_000:02d}"


def place(k, speed=2.0):
    return (
        f"{degrees(42.03 + k * speed / 111_194.9, 2, 'NS')},{degrees(-93.62, 3, 'EW')}"
    )


def gga(k, *, talker="GN", quality=4, hdop="0.7", start=START, step=1.0):
    moment = start + timedelta(seconds=k * step)
    tail = f"{quality},12,{hdop},301.52,M,-31.40,M,1.0,0031"
    return summed(f"{talker}GGA,{clock(moment)},{place(k, 2 * step)},{tail}")


def rmc(k, *, talker="GN", status="A", speed="3.8877", course="0.0", start=START,
        step=1.0, mode=",R"):  # fmt: skip
    moment = start + timedelta(seconds=k * step)
    tail = f"{speed},{course},{moment:%d%m%y},,{mode}"
    return summed(f"{talker}RMC,{clock(moment)},{status},{place(k, 2 * step)},{tail}")


def write(tmp_path, lines, name="log.nmea", ends="\r\n"):
    path = tmp_path / name
    path.write_bytes(ends.join([*lines, ""]).encode("latin-1"))
    return path


def both(count, **how):
    return [line for k in range(count) for line in (gga(k, **how), rmc(k, **how))]


def one(path, **told):
    (log,) = read_logs(path, **told)
    require_table(log.table, RAW_FIXES)
    return log


def test_two_worked_sentences(tmp_path):
    # Written and summed by hand for these tests.
    lines = [
        "$GNGGA,153015.20,4201.80000,N,09337.20000,W,4,18,0.7,301.52,M,-31.40,M,1.0,"
        "0031*6A",
        "$GNRMC,153015.20,A,4201.80000,N,09337.20000,W,4.860,271.5,121024,,,R*4C",
    ]
    table = one(write(tmp_path, lines)).table
    assert len(table) == 1
    row = table.iloc[0]
    assert (row["latitude"], row["longitude"]) == pytest.approx((42.03, -93.62))
    moment = datetime(2024, 10, 12, 15, 30, 15, 200_000, tzinfo=UTC)
    assert row["seconds"] == pytest.approx(moment.timestamp(), abs=1e-6)
    assert row["speed"] == pytest.approx(2.50020, abs=5e-6)
    assert row["heading"] == 271.5
    assert (row["fix_quality"], row["altitude"]) == (4.0, 301.52)
    assert (row["extra_hdop"], row["extra_satellites"]) == (0.7, 18.0)


def test_another_reader_says_the_same(tmp_path):
    pynmea2 = pytest.importorskip("pynmea2")
    lines = both(50, step=0.2)
    table = one(write(tmp_path, lines)).table
    theirs = [pynmea2.parse(line) for line in lines]
    np.testing.assert_allclose(table["latitude"], [t.latitude for t in theirs[::2]])
    np.testing.assert_allclose(table["longitude"], [t.longitude for t in theirs[::2]])
    stamps = [t.datetime.timestamp() for t in theirs[1::2]]
    np.testing.assert_allclose(table["seconds"], stamps, atol=1e-6)


def test_the_begin_of_the_bytes_and_not_the_name_says_what_it_is(tmp_path):
    path = write(tmp_path, both(10), name="combine.csv")
    assert sniff(path) == "nmea"
    log = one(path)
    assert (log.kind, log.clock, log.notes) == ("NMEA 0183 log", "utc", ())
    np.testing.assert_allclose(log.table["row"], np.arange(1, 20, 2))
    why = {f.field: f.why for f in log.findings}
    assert why["longitude"] == (
        "sentence GGA of talker GN, which tells most of 2 kinds of places"
    )
    assert why["fix_quality"] == "100% fixed RTK"
    assert why["time"] == "UTC; the date from RMC"


@pytest.mark.parametrize("talker", ["GP", "GN", "GL", "GA", "GB", "BD", "QZ", "II"])
def test_any_talker_is_heard(tmp_path, talker):
    assert len(one(write(tmp_path, both(5, talker=talker))).table) == 5


def test_stamps_of_a_logging_program_are_passed_over(tmp_path):
    lines = [f"2024-10-12 10:30:15.{k:03d} {s}" for k, s in enumerate(both(10))]
    path = write(tmp_path, lines)
    assert sniff(path) == "nmea"
    assert len(one(path).table) == 10


@pytest.mark.parametrize("ends", ["\n", "\r", "\r\n"])
def test_any_line_end_will_do(tmp_path, ends):
    assert len(one(write(tmp_path, both(10), ends=ends)).table) == 10


def test_broken_lines_are_counted(tmp_path):
    lines = both(100)
    lines[10] = lines[10].replace("42", "43", 1)  # a wrong sum
    lines[20] = lines[20][:30]
    lines[30] = "\x7f\x01gar" + "bage"
    log = one(write(tmp_path, lines))
    (note,) = log.notes
    assert (note.severity, note.count) == ("info", 3)
    assert note.sentence == (
        "log.nmea: 3 of 200 lines were broken and left out (2 with a wrong or no check "
        "sum)."
    )
    assert len(log.table) == 97
    assert log.table["latitude"].max() < 42.04


def test_many_broken_lines_are_a_bad_cable(tmp_path):
    lines = both(100)
    lines[::10] = [line[:-1] + "Z" for line in lines[::10]]
    (note,) = one(write(tmp_path, lines)).notes
    assert note.severity == "check"
    assert note.sentence.endswith("Look at the cable and the baud rate.")
    lines[::4] = ["$GNGGA,1*00"] * 50
    with pytest.raises(InputError, match=r"lines are broken \(") as caught:
        read_logs(write(tmp_path, lines))
    assert caught.value.hint == "look at the cable and the baud rate, and log again"


def test_old_makes_without_sums_are_read_and_said(tmp_path):
    lines = [line.partition("*")[0] for line in both(20)]
    path = write(tmp_path, lines)
    assert sniff(path) == "nmea"
    log = one(path)
    assert len(log.table) == 20
    (note,) = log.notes
    assert note.sentence == (
        "log.nmea: 40 sentences have no check sum, so a garbled number in them cannot "
        "be seen; jumps are still taken out."
    )


def test_midnight_is_passed_with_the_date(tmp_path):
    start = datetime(2024, 10, 12, 23, 59, 50, tzinfo=UTC)
    # The new date comes after the first place of the new day.
    log = one(write(tmp_path, both(20, start=start)))
    np.testing.assert_allclose(
        log.table["seconds"], start.timestamp() + np.arange(20), atol=1e-6
    )


def test_logs_of_two_days_in_one_file_keep_their_dates(tmp_path):
    later = START + timedelta(days=3, hours=-7)
    log = one(write(tmp_path, both(10) + both(10, start=later)))
    seconds = np.r_[
        START.timestamp() + np.arange(10), later.timestamp() + np.arange(10)
    ]
    np.testing.assert_allclose(log.table["seconds"], seconds, atol=1e-6)


def test_a_stamp_out_of_order_at_midnight_goes_back(tmp_path):
    start = datetime(2024, 10, 12, 23, 59, 58, tzinfo=UTC)
    order = [0, 1, 2, 1, 3, 4]
    lines = [f(k, start=start) for k in order for f in (gga, rmc)]
    log = one(write(tmp_path, lines))
    np.testing.assert_allclose(log.table["seconds"] - start.timestamp(), order)


def test_without_a_date_the_clock_is_not_trusted_until_it_is_told(tmp_path):
    start = datetime(2024, 10, 12, 23, 59, 55, tzinfo=UTC)
    path = write(tmp_path, [gga(k, start=start) for k in range(10)])
    log = one(path)
    assert log.clock == "no_epoch"
    (note,) = log.notes
    assert note.sentence == (
        "log.nmea: its times have no date, since it holds no RMC or ZDA; soil moisture "
        "and pairing with other machines cannot be used. Write the day of its first "
        'line, in UTC, as epoch = "2026-10-20" at this log.'
    )
    np.testing.assert_allclose(np.diff(log.table["seconds"]), 1.0)
    told = one(path, epoch="2024-10-12")
    assert (told.clock, told.notes) == ("utc", ())
    np.testing.assert_allclose(
        told.table["seconds"], start.timestamp() + np.arange(10), atol=1e-6
    )
    with pytest.raises(InputError, match="epoch is 'gps', need the UTC day of its"):
        read_logs(path, epoch="gps")


def test_the_date_may_come_from_zda(tmp_path):
    zda = summed("GPZDA,153015.00,12,10,2024,00,00")
    log = one(write(tmp_path, [*(gga(k) for k in range(5)), zda]))
    np.testing.assert_allclose(log.table["seconds"], START.timestamp() + np.arange(5))
    (found,) = [f for f in log.findings if f.field == "time"]
    assert found.why == "UTC; the date from ZDA"


@pytest.mark.parametrize(
    ("written", "year"), [("010180", 1980), ("010199", 1999), ("010179", 2079)]
)
def test_two_digits_of_a_year_turn_at_eighty(tmp_path, written, year):
    body = f"GPRMC,120000.00,A,{place(0)},1.0,0.0,{written},,"
    log = one(write(tmp_path, [summed(body)] * 3))
    moment = datetime(year, 1, 1, 12, tzinfo=UTC).timestamp()
    if year < 1990:
        assert "log.clock_unset" in [n.code for n in log.notes]
        assert log.clock == "no_epoch"
    else:
        assert log.table["seconds"].iloc[0] == moment


def test_a_day_that_no_month_has_is_no_date(tmp_path):
    body = f"GPRMC,120000.00,A,{place(0)},1.0,0.0,310624,,"
    assert one(write(tmp_path, [summed(body)] * 3)).clock == "no_epoch"


def test_speed_and_course_come_from_vtg_where_there_is_no_rmc(tmp_path):
    lines = []
    for k in range(10):
        lines += [gga(k), summed("GPVTG,45.5,T,44.0,M,3.8877,N,7.2,K,A")]
    table = one(write(tmp_path, lines)).table
    np.testing.assert_allclose(table["speed"], 2.0, rtol=1e-4)
    assert set(table["heading"]) == {45.5}
    # Only km/h, and the form of old makes without letters.
    for body in ("GPVTG,45.5,T,,M,,N,7.2,K", "GPVTG,45.5,44.0,,7.2"):
        lines[1::2] = [summed(body)] * 10
        table = one(write(tmp_path, lines)).table
        np.testing.assert_allclose(table["speed"], 2.0, rtol=1e-4)


def test_where_the_machine_points_comes_before_its_course(tmp_path):
    lines = []
    for k in range(10):
        lines += [gga(k), rmc(k, course="180.0"), summed("HEHDT,3.25,T")]
    assert set(one(write(tmp_path, lines)).table["heading"]) == {3.25}


def test_a_machine_that_stands_keeps_its_last_course(tmp_path):
    lines = []
    for k in range(20):
        slow = k >= 10
        lines += [gga(k), rmc(k, speed="0.2" if slow else "4", course=str(17 * k))]
    heading = one(write(tmp_path, lines)).table["heading"]
    assert heading[9] == 153.0
    assert set(heading[10:]) == {153.0}


def test_a_value_of_another_moment_is_not_carried_far(tmp_path):
    lines = [
        line for k in range(20) for line in ((gga(k), rmc(k)) if k < 5 else (gga(k),))
    ]
    table = one(write(tmp_path, lines)).table
    assert table["speed"].notna().sum() == 6  # one second more
    assert len(table) == 20


def test_places_without_a_fix_are_left_out_and_counted(tmp_path):
    lines = [f for k in range(300) for f in (gga(k, quality=0), rmc(k, status="V"))]
    log = one(write(tmp_path, lines + both(50, start=START + timedelta(seconds=400))))
    assert len(log.table) == 50
    (note,) = log.notes
    assert note.sentence == (
        "log.nmea: 300 of 350 places were without a fix and left out."
    )


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (
            [gga(k, quality=0) for k in range(5)],
            "5 sentences of place, none with a fix",
        ),
        (
            [gga(k, quality=8) for k in range(5)],
            "only places that were typed in or sim",
        ),
        ([summed("GPZDA,153015.00,12,10,2024,00,00")] * 5, "holds no place, need GGA"),
    ],
)
def test_logs_without_a_place_are_refused(tmp_path, lines, words):
    with pytest.raises(InputError, match=words):
        read_logs(write(tmp_path, lines))


def test_typed_in_places_among_others_are_left_out(tmp_path):
    lines = both(20) + [gga(k, quality=7) for k in range(20, 23)]
    (note,) = one(write(tmp_path, lines)).notes
    assert note.sentence == (
        "log.nmea: 3 places were typed in or simulated in the receiver and left out."
    )


def test_a_loss_of_correction_is_said(tmp_path):
    lines = [gga(k, quality=4 if k % 2 else 2) for k in range(40)]
    lines.append(rmc(39))
    log = one(write(tmp_path, lines))
    (note,) = log.notes
    assert note.severity == "check"
    assert note.sentence == (
        "log.nmea: only 50% of its places are RTK; the others may lie decimetres to "
        "metres off."
    )
    (found,) = [f for f in log.findings if f.field == "fix_quality"]
    assert found.why == "50% corrected (DGNSS), 50% fixed RTK"


def test_dilution_comes_from_gsa_where_gga_says_none(tmp_path):
    gsa = summed("GNGSA,A,3,01,02,03,04,,,,,,,,,9.1,8.2,4.0,1")
    log = one(write(tmp_path, [gsa] + [gga(k, hdop="") for k in range(5)] + [rmc(4)]))
    assert set(log.table["extra_hdop"]) == {8.2}
    assert [n.code for n in log.notes] == ["log.weak_fix"]


def test_other_sentences_of_place_stand_in(tmp_path):
    gns = [summed(f"GNGNS,{clock(START)},{place(0)},RD,18,0.7,301.5,-31.4,,,S")] * 3
    assert set(one(write(tmp_path, gns)).table["fix_quality"]) == {4.0}
    gll = [summed(f"GPGLL,{place(0)},{clock(START)},A,D")] * 3
    assert set(one(write(tmp_path, gll)).table["fix_quality"]) == {2.0}


def test_the_receiver_that_says_most_is_taken(tmp_path):
    lines = []
    for k in range(20):
        lines += [gga(k, talker="GP"), gga(k, talker="GN"), rmc(k)]
    log = one(write(tmp_path, lines[:-5]))
    assert len(log.table) == 19
    assert len(set(log.table["seconds"])) == 19


def test_ten_places_in_one_written_second_are_spread(tmp_path):
    lines = []
    for k in range(60):
        body = (
            f"GPGGA,{START + timedelta(seconds=k // 10):%H%M%S},{place(k, 0.2)},1,9,1,"
        )
        lines.append(summed(body + "300,M,,M,,"))
    log = one(write(tmp_path, lines))
    assert "log.whole_seconds" in [n.code for n in log.notes]
    np.testing.assert_allclose(np.diff(log.table["seconds"]), 0.1, atol=1e-6)


def test_zeros_where_power_was_cut_are_no_lines(tmp_path):
    path = write(tmp_path, both(20))
    path.write_bytes(path.read_bytes() + b"\0" * 5000)
    assert len(one(path).table) == 20


def test_the_date_line_and_the_south(tmp_path):
    body = f"GPGGA,{clock(START)},3348.0000,S,17959.9999,W,1,9,1.0,5,M,,M,,"
    row = one(write(tmp_path, [summed(body)])).table.iloc[0]
    assert row["latitude"] == pytest.approx(-33.8)
    assert row["longitude"] == pytest.approx(-179.9999983)


@pytest.mark.parametrize(
    "broken",
    ["4261.8,N", "4201.8,X", "9201.8,N", "4201.8,", "-4201.8,N", "42O1.8,N", ",N"],
)
def test_what_is_no_latitude_is_no_fix(tmp_path, broken):
    body = f"GPGGA,{clock(START)},{broken},09337.2,W,1,9,1.0,5,M,,M,,"
    log = one(write(tmp_path, [*both(10), summed(body)]))
    assert len(log.table) == 10
