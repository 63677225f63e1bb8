"""History into a store and out of it: nothing lost, nothing twice, the same bytes from the same readings."""

import os

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from monitor.acquisition.quarantine import Reason
from monitor.batch import from_columns
from monitor.fleet import Fleet, Site, Unit
from monitor.history import UnreadableHistory, export_history, import_history, transfer
from monitor.stores.embedded import EmbeddedReadings
from monitor.stores.operations import FILE_NAME, SqlOperations
from monitor.times import MINUTE_NS, from_rfc3339

FLEET = Fleet(
    {"mill": Site("mill", "Old mill")},
    {name: Unit(name, "mill", name, battery_nominal_voltage=24) for name in ("mill-1", "mill-2")},
)
SIGNALS = FLEET.signal_names
NOON_NS = from_rfc3339("2026-01-13T12:00:00Z")
EVER = {"units": FLEET.unit_names, "signals": SIGNALS, "from_ns": 0, "to_ns": 2**62}


@pytest.fixture
def stores(tmp_path):
    """Opens pairs of stores, each pair in a folder of its own, and closes them in the end."""
    opened = []

    def open_both(name):
        both = EmbeddedReadings(tmp_path / name), SqlOperations(tmp_path / name / FILE_NAME)
        opened.extend(both)
        return both

    yield open_both
    for store in opened:
        store.close()


def day(count=1_440, seed=0.0):
    """A day of minutes of two signals of two units, received 2 s later, the last a nanosecond after that."""
    n = range(count)
    times = [NOON_NS + MINUTE_NS * minute for minute in n for _ in range(4)]
    return from_columns(
        FLEET.unit_names,
        SIGNALS,
        times,
        [0, 0, 1, 1] * count,
        [SIGNALS.index("gas_pressure"), SIGNALS.index("battery_voltage")] * 2 * count,
        [value for minute in n for value in (4_980 + minute % 7 + seed, 27 + minute % 11 / 10) * 2],
        [time + 2_000_000_000 + position for position, time in enumerate(times)],
    )


def contents(store):
    found = store.read(**EVER)
    return [column.tobytes() for column in (found.time_ns, found.unit, found.signal, found.value, found.received_ns)]


def read(paths, store, operations, **more):
    return import_history(paths, FLEET, store, operations, at_ns=NOON_NS, **more)


def test_what_goes_out_comes_in_again_exactly(stores, tmp_path):
    store, _ = stores("from")
    store.append(day())
    exported = export_history(store, tmp_path / "out")
    assert exported.readings == 4 * 1_440
    assert [path.name for path in exported.files] == ["mill-1.parquet", "mill-2.parquet"]
    other, operations = stores("to")
    imported = read([tmp_path / "out"], other, operations)
    assert (imported.readings, imported.fresh, imported.set_aside) == (4 * 1_440, 4 * 1_440, 0)
    assert contents(other) == contents(store)


def test_the_same_readings_give_the_same_bytes_whatever_way_they_came(stores, tmp_path):
    batch = day(200)
    one, _ = stores("one")
    one.append(batch)
    other, _ = stores("other")
    for begin in reversed(range(0, len(batch), 97)):
        other.append(batch.where(slice(begin, begin + 97)))
    export_history(one, tmp_path / "a")
    export_history(other, tmp_path / "b")
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()


def test_files_that_go_out_have_the_contracts_columns_and_times_in_utc(stores, tmp_path):
    store, _ = stores("from")
    store.append(day(3))
    export_history(store, tmp_path / "out", units=["mill-1"])
    table = pq.read_table(tmp_path / "out" / "mill-1.parquet")
    assert table.column_names == ["time", "unit", "signal", "value", "received"]
    assert table.schema.field("time").type == pa.timestamp("ns", "UTC")
    assert table.column("unit").unique().to_pylist() == ["mill-1"]
    assert table.column("time")[0].value == NOON_NS


def test_an_import_done_again_changes_nothing(stores, tmp_path):
    store, _ = stores("from")
    store.append(day(50))
    export_history(store, tmp_path / "out")
    other, operations = stores("to")
    read([tmp_path / "out"], other, operations)
    before = contents(other)
    again = read([tmp_path / "out"], other, operations)
    assert (again.readings, again.fresh, again.set_aside) == (200, 0, 0)
    assert contents(other) == before


def test_an_import_broken_off_is_completed_by_doing_it_again(stores, tmp_path, monkeypatch):
    monkeypatch.setattr(transfer, "ROWS_A_COMMIT", 30)
    store, _ = stores("from")
    store.append(day(50))
    export_history(store, tmp_path / "out")
    other, operations = stores("to")

    def break_off(done, _of):
        if done >= 60:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        read([tmp_path / "out"], other, operations, progress=break_off)
    assert len(other.read(**EVER)) == 60
    assert read([tmp_path / "out"], other, operations).fresh == 140
    assert contents(other) == contents(store)


def test_readings_that_contradict_the_store_are_set_aside_with_file_and_row(stores, tmp_path):
    store, operations = stores("to")
    store.append(day(2))
    other, _ = stores("from")
    other.append(day(3, seed=0.5))
    (path, _) = export_history(other, tmp_path / "out").files
    imported = read([path], store, operations)
    assert (imported.readings, imported.fresh, imported.set_aside) == (6, 2, 2)
    items = operations.quarantined(limit=10)
    assert {(item.source, item.place, item.reason, item.unit) for item in items} == {
        (str(path), "row 4", Reason.CONFLICT, "mill-1"),
        (str(path), "row 5", Reason.CONFLICT, "mill-1"),
    }
    assert "gas_pressure of mill-1 at 2026-01-13T12:00:00Z is 4980.5 here" in items[0].text + items[1].text


def test_bad_rows_go_to_quarantine_and_wait_for_no_unit(stores, tmp_path):
    """A unit that becomes known is helped by importing the file again: what is named here is not all of it."""
    path = tmp_path / "a.csv"
    path.write_text(
        "time,unit,signal,value\n2026-01-13T12:00:00Z,new,gas_pressure,1\n2026-01-13,mill-1,gas_pressure,1\n"
    )
    store, operations = stores("to")
    assert read([path], store, operations).set_aside == 2
    assert operations.quarantine_counts() == {"unknown_unit": 1, "unreadable": 1}
    assert operations.take_quarantined("new") == []
    assert len(operations.quarantined(limit=5, unit="mill-1")) == 1


def test_nothing_is_stored_where_one_file_cannot_be_read(stores, tmp_path):
    store, operations = stores("to")
    (tmp_path / "a.csv").write_text("time,unit,signal,value\n2026-01-13T12:00:00Z,mill-1,gas_pressure,1\n")
    (tmp_path / "b.csv").write_text("nonsense\n")
    with pytest.raises(UnreadableHistory, match=r"b\.csv"):
        read([tmp_path / "a.csv", tmp_path / "b.csv"], store, operations)
    assert store.span_ns() is None


def test_a_span_and_some_units_can_be_exported(stores, tmp_path):
    store, _ = stores("from")
    store.append(day(10))
    begin, end = NOON_NS + 2 * MINUTE_NS, NOON_NS + 5 * MINUTE_NS
    told = []
    exported = export_history(
        store,
        tmp_path / "out",
        units=["mill-2", "nobody"],
        from_ns=begin,
        to_ns=end,
        progress=lambda done, of: told.append((done, of)),
    )
    assert [path.name for path in exported.files] == ["mill-2.parquet"]
    assert exported.readings == 6
    assert told == [(1, 2), (2, 2)]
    times = pq.read_table(exported.files[0]).column("time").cast(pa.int64()).to_pylist()
    assert (min(times), max(times)) == (begin, end - MINUTE_NS)


def test_a_large_unit_goes_out_in_pages(stores, tmp_path, monkeypatch):
    monkeypatch.setattr(transfer, "ROWS_A_PAGE", 100)
    store, operations = stores("from")
    store.append(day(120))
    exported = export_history(store, tmp_path / "out", units=["mill-1"])
    assert pq.read_metadata(exported.files[0]).num_row_groups == 3
    other, operations = stores("to")
    assert read(exported.files, other, operations).fresh == 240


def test_an_export_that_fails_leaves_the_older_file_whole(stores, tmp_path, monkeypatch):
    store, _ = stores("from")
    store.append(day(10))
    (path,) = export_history(store, tmp_path / "out", units=["mill-1"]).files
    whole = path.read_bytes()
    store.append(day(20))

    def no_room(_file):
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(os, "fsync", no_room)
    with pytest.raises(OSError, match="No space left"):
        export_history(store, tmp_path / "out", units=["mill-1"])
    assert path.read_bytes() == whole
    assert [each.name for each in path.parent.iterdir()] == ["mill-1.parquet"]
