"""History from files: any order gives the same, bad rows cost no good ones, what cannot be read at all is named."""

import random
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.acquisition.quarantine import Reason
from monitor.fleet import Fleet, Site, Unit
from monitor.history import History, UnreadableHistory
from monitor.history.aside import ROWS_NAMED_MAX
from monitor.history.files import RAGGED_ROWS_MAX
from monitor.signals import SIGNALS, Signal
from monitor.times import MINUTE_NS, SECOND_NS, from_rfc3339, to_rfc3339

FLEET = Fleet(
    {"mill": Site("mill", "Old mill")},
    {
        "mill-1": Unit("mill-1", "mill", "Mill 1", battery_nominal_voltage=24),
        "mill-2": Unit("mill-2", "mill", "Mill 2"),
    },
    (*SIGNALS, Signal("vibration", "m/s2", 0.0, 50.0)),
)
NOON = "2026-01-13T12:00:00Z"
NOON_NS = from_rfc3339(NOON)
HEADER = "time,unit,signal,value\n"


def row(at_ns=NOON_NS, unit="mill-1", signal="battery_voltage", value=27.1, received_ns=None):
    return at_ns, unit, signal, value, at_ns if received_ns is None else received_ns


def write_parquet(path, rows, resolution="ns", zone="UTC"):
    times, units, signals, values, received = zip(*rows, strict=True) if rows else ((),) * 5
    table = pa.table(
        {
            "time": pa.array(times, pa.int64()).cast(pa.timestamp("ns", zone)).cast(pa.timestamp(resolution, zone)),
            "unit": pa.array(units, pa.string()),
            "signal": pa.array(signals, pa.string()),
            "value": pa.array(values, pa.float64()),
            "received": pa.array(received, pa.int64()).cast(pa.timestamp("ns", zone)),
        }
    )
    pq.write_table(table, path)
    return path


def write_csv(path, rows):
    lines = [f"{to_rfc3339(at)},{unit},{signal},{value!r},{to_rfc3339(came)}" for at, unit, signal, value, came in rows]
    path.write_text("\n".join(["time,unit,signal,value,received", *lines, ""]))
    return path


def write_text(path, text):
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def rows_of(history):
    """All rows, unit by unit, in the order given."""
    rows = []
    for name in history.units():
        batch = history.unit(name)
        columns = (batch.time_ns, batch.unit, batch.signal, batch.value, batch.received_ns)
        rows += [
            (time, batch.units[unit], batch.signals[signal], value, received)
            for time, unit, signal, value, received in zip(*(column.tolist() for column in columns), strict=True)
        ]
    return rows


def said_of(history):
    return [(item.place, item.reason, item.text) for item in history.set_aside]


# Order


moments = st.integers(NOON_NS, NOON_NS + 5) | st.integers(0, 2**60)
history_row = st.builds(
    row,
    at_ns=moments,
    unit=st.sampled_from(("mill-1", "mill-2")),
    signal=st.sampled_from(("battery_voltage", "vibration")),
    value=st.sampled_from((0.0, 12.5, 13.1)),
    received_ns=st.integers(2**60, 2**60 + 3),
)


@given(rows=st.lists(history_row, max_size=30), seed=st.integers(0, 2**32), files=st.integers(1, 4))
@settings(max_examples=30, deadline=None)
def test_any_order_of_files_and_rows_gives_the_same(rows, seed, files):
    """Law, byte for byte: rows shuffled, dealt to files of both kinds, named in any order, in memory or on disk."""
    chance = random.Random(seed)
    shuffled = chance.sample(rows, len(rows))
    with TemporaryDirectory() as place:
        whole = write_parquet(Path(place) / "whole.parquet", rows)
        dealt = [
            write_csv(Path(place) / f"{n}.csv", shuffled[n::files])
            if chance.random() < 0.5
            else write_parquet(Path(place) / f"{n}.parquet", shuffled[n::files])
            for n in range(files)
        ]
        chance.shuffle(dealt)
        with History([whole], FLEET) as once, History(dealt, FLEET, rows_held_max=7) as other:
            assert other.units() == once.units()
            assert (other.span_ns(), other.until_ns()) == (once.span_ns(), once.until_ns())
            for name in once.units():
                one, two = once.unit(name), other.unit(name)
                for column in ("time_ns", "unit", "signal", "value", "received_ns"):
                    assert getattr(one, column).tobytes() == getattr(two, column).tobytes()
            without_place = [sorted(item.text.split(" in ")[0] for item in each.set_aside) for each in (once, other)]
            assert without_place[0] == without_place[1]


def test_a_unit_comes_in_order_of_arrival_then_time_then_signal(tmp_path):
    rows = [
        row(NOON_NS + 2, received_ns=NOON_NS + 9),
        row(NOON_NS + 1, received_ns=NOON_NS + 9),
        row(NOON_NS + 1, signal="gas_pressure", value=5_000.0, received_ns=NOON_NS + 9),
        row(NOON_NS + 5, received_ns=NOON_NS + 7),
    ]
    with History([write_parquet(tmp_path / "a.parquet", rows)], FLEET) as history:
        assert rows_of(history) == [rows[3], rows[1], rows[2], rows[0]]
        assert history.span_ns() == (NOON_NS + 1, NOON_NS + 5)
        assert history.until_ns() == NOON_NS + 9


def test_units_come_in_the_fleets_order_and_only_those_with_readings(tmp_path):
    with History([write_csv(tmp_path / "a.csv", [row(unit="mill-2", value=13.0)])], FLEET) as history:
        assert history.units() == ["mill-2"]
        assert len(history.unit("mill-1")) == 0
        assert history.unit("mill-1").units == ("mill-1", "mill-2")
    with History([write_csv(tmp_path / "a.csv", [row(unit="mill-2", value=13.0), row()])], FLEET) as history:
        assert history.units() == ["mill-1", "mill-2"]


def test_a_file_named_twice_counts_once(tmp_path):
    write_csv(tmp_path / "a.csv", [row()])
    (tmp_path / "below").mkdir()
    write_parquet(tmp_path / "below" / "b.PARQUET", [row(NOON_NS + MINUTE_NS)])
    (tmp_path / "notes.txt").write_text("not history")
    with History([tmp_path, tmp_path / "a.csv", tmp_path / "below"], FLEET) as history:
        assert history.rows == 2


# Two values for one moment


def test_of_two_values_the_first_received_stays_and_the_other_is_set_aside(tmp_path):
    late = write_parquet(tmp_path / "a.parquet", [row(value=26.0, received_ns=NOON_NS + 9)])
    early = write_parquet(tmp_path / "b.parquet", [row(value=27.0, received_ns=NOON_NS + 3)])
    with History([late, early], FLEET) as history:
        assert rows_of(history) == [row(value=27.0, received_ns=NOON_NS + 3)]
        (item,) = history.set_aside
    assert (item.source, item.place, item.reason, item.unit) == (str(late), "row 1", Reason.CONFLICT, "mill-1")
    assert f"battery_voltage of mill-1 at {NOON} is 26.0 V here and 27.0 in {early} row 1, which stays" in item.text


def test_without_received_the_smaller_value_stays(tmp_path):
    path = write_text(
        tmp_path / "a.csv", HEADER + f"{NOON},mill-1,battery_voltage,27.5\n{NOON},mill-1,battery_voltage,26.5\n"
    )
    with History([path], FLEET) as history:
        assert [each[3] for each in rows_of(history)] == [26.5]
        assert [(place, reason) for place, reason, _ in said_of(history)] == [("row 2", "conflict")]
        assert not history.has_received


def test_a_repeat_is_no_conflict(tmp_path):
    path = write_csv(tmp_path / "a.csv", [row(), row(received_ns=NOON_NS + 1), row()])
    with History([path], FLEET) as history:
        assert len(history.unit("mill-1")) == 1
        assert history.set_aside == []
        assert history.has_received


def test_asking_for_a_unit_twice_gives_the_same_and_names_its_conflicts_once(tmp_path):
    path = write_csv(tmp_path / "a.csv", [row(value=27.0), row(value=26.0)])
    with History([path], FLEET) as history:
        assert rows_of(history) == rows_of(history)
        assert len(history.set_aside) == 1


# Times and numbers


@pytest.mark.parametrize(
    ("text", "time"),
    [
        ("2026-01-13T12:00:00Z", NOON_NS),
        ("2026-01-13t12:00:00z", NOON_NS),
        ("2026-01-13 05:00:00-07:00", NOON_NS),
        (" 2026-01-13T17:30:00+05:30 ", NOON_NS),
        ("2026-01-13T12:00:00.5Z", NOON_NS + SECOND_NS // 2),
        ("2026-01-13T12:00:00.000000001Z", NOON_NS + 1),
        ("2026-01-13T12:00:00.000000001999999999999Z", NOON_NS + 1),
        ('"2026-01-13T12:00:00Z"', NOON_NS),
        ("1900-01-01T00:00:00Z", -2_208_988_800 * SECOND_NS),
        ("2199-12-31T23:59:59Z", 7_258_118_399 * SECOND_NS),
    ],
)
def test_a_time_of_rfc_3339_is_read_to_the_nanosecond(tmp_path, text, time):
    """Also beside times with other decimals, which a reader that guesses one format for all would lose."""
    path = write_text(
        tmp_path / "a.csv", HEADER + f"{text},mill-1,vibration,1\n2026-06-30T00:00:00Z,mill-1,vibration,1\n"
    )
    with History([path], FLEET) as history:
        assert time in history.unit("mill-1").time_ns
        assert history.set_aside == []


@pytest.mark.parametrize("resolution", ["s", "ms", "us", "ns"])
@pytest.mark.parametrize("zone", ["UTC", "America/Denver", "+05:30"])
def test_parquet_stamps_of_any_resolution_and_zone_are_the_same_moment(tmp_path, resolution, zone):
    path = write_parquet(tmp_path / "a.parquet", [row()], resolution, zone)
    with History([path], FLEET) as history:
        assert rows_of(history) == [row()]


@pytest.mark.parametrize(
    "values",
    [
        pa.array([1, 0], pa.int8()),
        pa.array([True, False]),
        pa.array(["1", "0.0"]),
        pa.array(["1e0", " 0 "]).dictionary_encode(),
        pa.array([1, 0], pa.decimal128(5, 2)),
        pa.array([1, 0], pa.float32()),
    ],
    ids=lambda values: str(values.type),
)
def test_numbers_of_any_type_are_read(tmp_path, values):
    times = pa.array([NOON_NS, NOON_NS + 1], pa.timestamp("ns", "UTC"))
    names = pa.array(["mill-1", "mill-1"]).dictionary_encode()
    signals = pa.array(["engine_running"] * 2, pa.large_string())
    path = tmp_path / "a.parquet"
    pq.write_table(pa.table({"signal": signals, "more": times, "value": values, "unit": names, "time": times}), path)
    with History([path], FLEET) as history:
        assert history.unit("mill-1").value.tolist() == [1.0, 0.0]


def test_csv_with_byte_order_mark_crlf_quotes_and_other_columns_is_read(tmp_path):
    text = f'\ufeffsite,"signal",value,unit,time\r\n"mill, old","vibration","1.5",mill-1,{NOON}\r\n'
    with History([write_text(tmp_path / "a.csv", text)], FLEET) as history:
        assert rows_of(history) == [row(signal="vibration", value=1.5)]


def test_an_empty_received_means_not_known(tmp_path):
    text = f"time,unit,signal,value,received\n{NOON},mill-1,vibration,1.5,\n"
    with History([write_text(tmp_path / "a.csv", text)], FLEET) as history:
        assert rows_of(history) == [row(signal="vibration", value=1.5)]


def test_signals_that_the_program_writes_itself_travel_with_the_history(tmp_path):
    rows = [row(signal="listening_again", value=900.0), row(signal="link_online", value=0.0)]
    with History([write_csv(tmp_path / "a.csv", rows)], FLEET) as history:
        assert {each[2] for each in rows_of(history)} == {"listening_again", "link_online"}


# Bad rows


@pytest.mark.parametrize(
    ("bad", "reason", "words"),
    [
        ("2026-01-13T12:00:00,mill-1,vibration,1", Reason.NAIVE_TIME, "does not say its offset"),
        (f"{NOON},mill-1,vibration,1,2026-01-13 12:00:00.25", Reason.NAIVE_TIME, "received is"),
        ("yesterday,mill-1,vibration,1", Reason.UNREADABLE, 'time is "yesterday", which is no time from 1900 to 2199'),
        ("2026-02-30T12:00:00Z,mill-1,vibration,1", Reason.UNREADABLE, "no time"),
        ("2026-01-13T24:00:00Z,mill-1,vibration,1", Reason.UNREADABLE, "no time"),
        ("1600-01-01T00:00:00Z,mill-1,vibration,1", Reason.UNREADABLE, "no time"),
        (",mill-1,vibration,1", Reason.UNREADABLE, 'time is ""'),
        (f"{NOON},mill-9,vibration,1", Reason.UNKNOWN_UNIT, 'no unit "mill-9". Did you mean "mill-'),
        (f"{NOON},,vibration,1", Reason.UNKNOWN_UNIT, 'no unit ""'),
        (f"{NOON},mill-1,vibratoin,1", Reason.UNKNOWN_SIGNAL, 'Did you mean "vibration"?'),
        (f"{NOON},mill-1,vibration,", Reason.UNREADABLE, 'value is "", which is no finite number'),
        (f"{NOON},mill-1,vibration,1_000", Reason.UNREADABLE, "no finite number"),
        (f"{NOON},mill-1,vibration,nan", Reason.UNREADABLE, "no finite number"),
        (f"{NOON},mill-1,vibration,1e999", Reason.UNREADABLE, "no finite number"),
        (f"{NOON},mill-1,vibration,0x10", Reason.UNREADABLE, "no finite number"),
        (
            f"{NOON},mill-1,vibration,50.1",
            Reason.IMPLAUSIBLE,
            "50.1 m/s2 is outside what vibration can be here, 0 to 50",
        ),
        (f"{NOON},mill-2,battery_voltage,27", Reason.IMPLAUSIBLE, "0 to 18 V"),
        (f"{NOON},mill-1,engine_running,0.5", Reason.IMPLAUSIBLE, "neither 0 nor 1"),
        (f"{NOON},mill-1,vibration,1,2026-01-13T11:54:59Z", Reason.FUTURE, "301 s after received"),
        (f"{NOON},mill-1,vibration", Reason.UNREADABLE, "not as many fields"),
    ],
)
def test_a_bad_row_is_set_aside_and_costs_no_other(tmp_path, bad, reason, words):
    bad += "," * (4 - bad.count(",")) if bad.count(",") == 3 else ""
    good = f"{NOON},mill-2,vibration,2.5,2026-01-13T11:55:00Z"
    path = write_text(tmp_path / "a.csv", f"time,unit,signal,value,received\n{good}\n{bad}\n{good[:-1]}+00:00\n")
    with History([path], FLEET) as history:
        assert [each[3] for each in rows_of(history)] == [2.5]
        (item,) = history.set_aside
        assert history.rows == 2
    assert (item.source, item.place, item.reason) == (str(path), "row 3", reason)
    assert words in item.text
    assert item.payload.decode() == bad


def test_rows_after_a_ragged_one_keep_their_numbers(tmp_path):
    lines = [
        f"{NOON},mill-1,vibration,1",
        "short,row",
        "far,too,many,fields,here",
        "x,mill-1,vibration,1",
        "s",
        "y,u,s,1",
    ]
    with History([write_text(tmp_path / "a.csv", HEADER + "\n".join(lines) + "\n")], FLEET) as history:
        assert sorted(item.place for item in history.set_aside) == [f"row {number}" for number in (3, 4, 5, 6, 7)]


def test_parquet_stamps_without_a_zone_are_set_aside(tmp_path):
    path = write_parquet(tmp_path / "a.parquet", [row()], zone=None)
    with History([path], FLEET) as history:
        assert history.units() == []
        assert history.span_ns() is None
        assert history.until_ns() is None
        ((place, reason, text),) = said_of(history)
    assert (place, reason) == ("row 1", Reason.NAIVE_TIME)
    assert '"2026-01-13 12:00:00" and does not say its offset' in text


def test_parquet_stamps_beyond_any_calendar_are_set_aside(tmp_path):
    times = pa.array([2**62, -(2**62), None, NOON_NS // 10**6], pa.timestamp("ms", "UTC"))
    text = pa.array(["mill-1"] * 4)
    path = tmp_path / "a.parquet"
    pq.write_table(pa.table({"time": times, "unit": text, "signal": ["vibration"] * 4, "value": [1.0] * 4}), path)
    with History([path], FLEET) as history:
        assert [each[0] for each in rows_of(history)] == [NOON_NS]
        assert [reason for _, reason, _ in said_of(history)] == [Reason.UNREADABLE] * 3
        assert "4611686018427387904 ms since 1970" in said_of(history)[0][2]


def test_missing_values_in_parquet_are_set_aside(tmp_path):
    path = tmp_path / "a.parquet"
    columns = {"time": pa.array([NOON_NS] * 5, pa.timestamp("ns", "UTC"))}
    columns |= {"unit": pa.array([None, *["mill-1"] * 4]), "signal": pa.array(["vibration", None, *["vibration"] * 3])}
    columns |= {"value": pa.array([1.0, 1.0, None, np.nan, np.inf])}
    pq.write_table(pa.table(columns), path)
    with History([path], FLEET) as history:
        assert [reason for _, reason, _ in sorted(said_of(history))] == [
            Reason.UNKNOWN_UNIT,
            Reason.UNKNOWN_SIGNAL,
            *[Reason.UNREADABLE] * 3,
        ]


def test_a_flood_of_bad_rows_is_counted_and_not_named_one_by_one(tmp_path):
    count = ROWS_NAMED_MAX + 250
    lines = "".join(f"{NOON},nobody-{n},vibration,1\n" for n in range(count))
    with History([write_text(tmp_path / "a.csv", HEADER + lines)], FLEET, at_ns=NOON_NS) as history:
        items = history.set_aside
    assert len(items) == ROWS_NAMED_MAX + 1
    assert sum(item.times for item in items) == count
    assert {item.received_ns for item in items} == {NOON_NS}


def test_a_flood_of_conflicts_is_counted_too(tmp_path):
    count = ROWS_NAMED_MAX + 50
    rows = [row(NOON_NS + n, value=value) for n in range(count) for value in (26.0, 27.0)]
    with History([write_parquet(tmp_path / "a.parquet", rows)], FLEET) as history:
        assert len(history.unit("mill-1")) == count
        assert len(history.set_aside) == ROWS_NAMED_MAX + 1
        assert sum(item.times for item in history.set_aside) == count


# What cannot be read at all


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.parquet", b"this is no parquet", "a.parquet: it is no Parquet file"),
        ("a.parquet", b"", "a.parquet: it is no Parquet file"),
        ("a.csv", b"", "a.csv: it is empty"),
        ("a.csv", b"\xff\xfet\0i\0m\0e\0", "a.csv: its first line is no UTF-8 text"),
        (
            "a.csv",
            b"time;unit;signal;value\n",
            'time, unit, signal, value are missing; there are "time;unit;signal;value"',
        ),
        ("a.csv", b"time,unit,value\n", "the columns signal are missing"),
        (
            "a.csv",
            HEADER.encode() + b"2026-01-13T12:00:00Z,mill-\xff,vibration,1\n",
            "cannot be read to its end as CSV",
        ),
        ("a.txt", b"", "ends neither in .parquet nor in .csv"),
    ],
)
def test_a_file_that_is_no_history_is_named_with_what_was_expected(tmp_path, name, content, words):
    with pytest.raises(UnreadableHistory) as raised:
        History([write_text(tmp_path / name, content)], FLEET)
    assert words in str(raised.value)


def test_all_that_is_wrong_is_said_at_once(tmp_path):
    (tmp_path / "empty").mkdir()
    paths = [tmp_path / "nowhere", tmp_path / "empty", write_text(tmp_path / "a.csv", "time\n")]
    with pytest.raises(UnreadableHistory) as raised:
        History(paths, FLEET)
    first, second, third = str(raised.value).splitlines()
    assert first.endswith("nowhere: there is no such file or folder.")
    assert second.endswith("empty: this folder holds no .parquet and no .csv file.")
    assert "a.csv: the columns unit, signal, value are missing" in third


def test_no_path_at_all_is_refused():
    with pytest.raises(UnreadableHistory, match="Name at least one"):
        History([], FLEET)


@pytest.mark.parametrize("column", ["time", "unit", "value"])
def test_a_parquet_column_of_another_kind_is_refused(tmp_path, column):
    columns = {
        "time": pa.array([NOON_NS], pa.timestamp("ns", "UTC")),
        "unit": ["mill-1"],
        "signal": ["s"],
        "value": [1.0],
    }
    wrong = pa.array([[1]]) if column == "value" else pa.array([1])
    pq.write_table(pa.table(columns | {column: wrong}), tmp_path / "a.parquet")
    with pytest.raises(UnreadableHistory, match=f"the column {column} is of type .*; expected was"):
        History([tmp_path / "a.parquet"], FLEET)


def test_parquet_with_text_that_is_none_is_refused(tmp_path):
    names = pa.Array.from_buffers(
        pa.string(), 1, [None, pa.py_buffer(np.array([0, 2], np.int32)), pa.py_buffer(b"\xff\xfe")]
    )
    times = pa.array([NOON_NS], pa.timestamp("ns", "UTC"))
    pq.write_table(pa.table({"time": times, "unit": names, "signal": ["s"], "value": [1.0]}), tmp_path / "a.parquet")
    with pytest.raises(UnreadableHistory, match="cannot be read to its end as Parquet"):
        History([tmp_path / "a.parquet"], FLEET)


def test_a_parquet_file_that_is_damaged_inside_is_named(tmp_path):
    path = write_parquet(tmp_path / "a.parquet", [row(NOON_NS + n, value=20 + n / 1e5) for n in range(50_000)])
    content = bytearray(path.read_bytes())
    content[1_000:200_000] = bytes(199_000)
    path.write_bytes(content)
    with pytest.raises(UnreadableHistory, match=r"a\.parquet: it cannot be read to its end"):
        History([path], FLEET)


def test_a_csv_file_that_is_no_table_is_refused(tmp_path):
    text = HEADER + "a,b\n" * (RAGGED_ROWS_MAX + 1)
    with pytest.raises(UnreadableHistory, match="have not the 4 fields"):
        History([write_text(tmp_path / "a.csv", text)], FLEET)


# Room


def test_a_header_alone_is_an_empty_history(tmp_path):
    with History([write_text(tmp_path / "a.csv", HEADER)], FLEET) as history:
        assert (history.units(), history.rows, history.set_aside) == ([], 0, [])


def test_the_temporary_folder_goes_with_the_history(tmp_path, monkeypatch):
    path = write_csv(tmp_path / "a.csv", [row(NOON_NS + n) for n in range(20)])
    room = tmp_path / "room"
    room.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(room))
    with History([path], FLEET, rows_held_max=5) as history:
        assert len(history.unit("mill-1")) == 20
        assert list(room.rglob("*.rows"))
    assert list(room.iterdir()) == []
    with pytest.raises(UnreadableHistory):
        History([path, write_text(tmp_path / "b.csv", HEADER.encode() + b"\xff,,,\n")], FLEET)
    assert list(room.iterdir()) == []


def test_progress_goes_forward_to_the_end(tmp_path):
    paths = [write_csv(tmp_path / "a.csv", [row()]), write_parquet(tmp_path / "b.parquet", [row(), row(NOON_NS + 1)])]
    told = []
    History(paths, FLEET, progress=lambda done, of: told.append((done, of))).close()
    size = sum(path.stat().st_size for path in paths)
    assert told == sorted(told)
    assert told[-1] == (size, size)
