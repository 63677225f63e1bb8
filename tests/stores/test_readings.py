"""What every store of readings has to do. The slow plain store at the top is the oracle of the laws."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.batch import concat, empty, from_columns
from monitor.stores.protocols import StoreUnavailable
from monitor.times import MINUTE_NS, SECOND_NS

UNITS = ("pump-1", "pump-2", "school")
SIGNALS = ("battery_voltage", "gas_pressure")
NOON_NS = 1_767_268_800 * SECOND_NS  # 2026-01-01T12:00:00Z
EVER = {"units": UNITS, "signals": SIGNALS, "from_ns": 0, "to_ns": 2**62 + 1}


def batch_of(*rows):
    """Rows of unit, signal, time, value, received."""
    units, signals, times, values, received = zip(*rows, strict=True) if rows else ((),) * 5
    return from_columns(
        UNITS,
        SIGNALS,
        [int(time) for time in times],
        [UNITS.index(unit) for unit in units],
        [SIGNALS.index(signal) for signal in signals],
        values,
        [int(moment) for moment in received],
    )


def volts(*values, unit="pump-1", begin_ns=NOON_NS, step_ns=MINUTE_NS):
    """Battery readings of one unit, one each minute, received at once."""
    times = [begin_ns + step_ns * position for position in range(len(values))]
    return batch_of(*((unit, "battery_voltage", time, value, time) for time, value in zip(times, values, strict=True)))


def rows_of(batch):
    """Rows as plain tuples, in order."""
    columns = (batch.unit, batch.signal, batch.time_ns, batch.value, batch.received_ns)
    return [
        (batch.units[unit], batch.signals[signal], time, value, received)
        for unit, signal, time, value, received in zip(*(column.tolist() for column in columns), strict=True)
    ]


class PlainStore:
    """A dictionary by key: what a store does, without any of its speed."""

    def __init__(self):
        self.kept = {}

    def append(self, rows):
        fresh, conflict = [False] * len(rows), [False] * len(rows)
        before = dict(self.kept)
        for position in sorted(range(len(rows)), key=lambda position: (rows[position][4], rows[position][3], position)):
            key = rows[position][:3]
            if key not in self.kept:
                self.kept[key] = rows[position][3:]
                fresh[position] = key not in before
            conflict[position] = self.kept[key][0] != rows[position][3]
        return fresh, conflict

    def rows(self):
        order = sorted(self.kept, key=lambda key: (UNITS.index(key[0]), SIGNALS.index(key[1]), key[2]))
        return [(*key, *self.kept[key]) for key in order]


reading = st.tuples(
    st.sampled_from(UNITS),
    st.sampled_from(SIGNALS),
    st.integers(NOON_NS, NOON_NS + 6) | st.integers(0, 2**62),
    st.sampled_from((0.0, 12.5, 13.1))
    | st.floats(allow_nan=False, allow_infinity=False).map(lambda value: value + 0.0),
    st.integers(NOON_NS, NOON_NS + 2) | st.integers(0, 2**62),
)
readings = st.lists(reading, max_size=25)


@given(batches=st.lists(readings, max_size=4))
@settings(max_examples=60, deadline=None)
def test_a_store_does_what_the_plain_store_does(new_store, batches):
    """Law: exact round trip, one row a key, and the same rows called fresh and in conflict."""
    plain = PlainStore()
    with new_store() as store:
        for rows in batches:
            appended = store.append(batch_of(*rows))
            assert (appended.fresh.tolist(), appended.conflict.tolist()) == plain.append(rows)
        assert rows_of(store.read(**EVER)) == plain.rows()


@given(rows=readings)
@settings(max_examples=30, deadline=None)
def test_a_repeat_changes_nothing(new_store, rows):
    with new_store() as store:
        store.append(batch_of(*rows))
        once = rows_of(store.read(**EVER))
        again = store.append(batch_of(*rows))
        assert not again.fresh.any()
        assert rows_of(store.read(**EVER)) == once


@given(rows=readings.map(lambda rows: list({row[:3]: row for row in rows}.values())), data=st.data())
@settings(max_examples=30, deadline=None)
def test_the_order_of_rows_and_batches_is_irrelevant(new_store, rows, data):
    """Law: readings that agree make the same store in whatever order and portions they come."""
    disorder = data.draw(st.permutations(rows))
    cut = data.draw(st.integers(0, len(rows)))
    with new_store() as ordered, new_store() as disordered:
        ordered.append(batch_of(*rows))
        disordered.append(batch_of(*disorder[:cut]))
        disordered.append(batch_of(*disorder[cut:]))
        assert rows_of(disordered.read(**EVER)) == rows_of(ordered.read(**EVER))


def test_another_value_for_a_kept_reading_is_a_conflict_and_the_first_stays(store):
    store.append(volts(13.1, 13.2))
    appended = store.append(volts(13.1, 12.0, 13.3))
    assert appended.fresh.tolist() == [False, False, True]
    assert appended.conflict.tolist() == [False, True, False]
    assert store.read(**EVER).value.tolist() == [13.1, 13.2, 13.3]


def test_of_two_values_in_one_batch_the_first_received_stays(store):
    late = ("pump-1", "gas_pressure", NOON_NS, 4_000.0, NOON_NS + 9)
    early = ("pump-1", "gas_pressure", NOON_NS, 5_000.0, NOON_NS + 3)
    appended = store.append(batch_of(late, early))
    assert appended.fresh.tolist() == [False, True]
    assert appended.conflict.tolist() == [True, False]
    assert rows_of(store.read(**EVER)) == [early]


def test_of_two_values_received_at_one_moment_the_smaller_stays(store):
    greater = ("pump-1", "gas_pressure", NOON_NS, 5_000.0, NOON_NS)
    smaller = ("pump-1", "gas_pressure", NOON_NS, 4_000.0, NOON_NS)
    assert store.append(batch_of(greater, smaller)).conflict.tolist() == [True, False]
    assert rows_of(store.read(**EVER)) == [smaller]


def test_what_was_kept_is_there_when_the_store_is_opened_again(open_readings, tmp_path):
    first = open_readings(tmp_path)
    first.append(volts(13.1, 13.2))
    first.close()
    again = open_readings(tmp_path)
    assert not again.append(volts(13.1)).fresh.any()
    assert again.read(**EVER).value.tolist() == [13.1, 13.2]
    again.close()


def test_two_openings_of_one_place_see_each_others_units(open_readings, tmp_path):
    one, other = open_readings(tmp_path), open_readings(tmp_path)
    one.append(volts(13.1, unit="pump-1"))
    other.append(volts(12.9, unit="pump-2"))
    one.append(volts(12.8, unit="school"))
    assert other.read(**EVER).value.tolist() == one.read(**EVER).value.tolist() == [13.1, 12.9, 12.8]
    one.close()
    other.close()


def test_read_takes_the_begin_of_a_span_and_leaves_its_end(store):
    store.append(volts(1.0, 2.0, 3.0))
    found = store.read(units=UNITS, signals=SIGNALS, from_ns=NOON_NS, to_ns=NOON_NS + 2 * MINUTE_NS)
    assert found.value.tolist() == [1.0, 2.0]


def test_read_keeps_the_order_of_the_names_asked_for(store):
    store.append(volts(1.0, unit="pump-1"))
    store.append(volts(2.0, unit="school"))
    found = store.read(units=("school", "nobody", "pump-1"), signals=("battery_voltage",), from_ns=0, to_ns=2**62)
    assert [(found.units[unit], value) for unit, value in zip(found.unit, found.value, strict=True)] == [
        ("school", 2.0),
        ("pump-1", 1.0),
    ]


def test_unknown_names_give_no_rows(store):
    store.append(volts(1.0))
    assert len(store.read(units=("nobody",), signals=("noise",), from_ns=0, to_ns=2**62)) == 0
    assert len(store.newest(("nobody",), SIGNALS)) == 0
    assert len(store.after({}, ("nobody",), SIGNALS)) == 0
    assert len(store.downsampled(unit="nobody", signal="noise", from_ns=0, to_ns=9, points=3).time_ns) == 0


def test_an_empty_store_gives_nothing(store):
    assert store.span_ns() is None
    assert store.tracks() == []
    assert len(store.append(empty(UNITS, SIGNALS)).fresh) == 0
    assert len(store.read(**EVER)) == 0
    assert list(store.pages(**EVER, rows_max=5)) == []


@given(rows=readings, rows_max=st.integers(1, 30))
@settings(max_examples=30, deadline=None)
def test_pages_are_what_read_gives_in_bounded_batches(new_store, rows, rows_max):
    with new_store() as store:
        store.append(batch_of(*rows))
        pages = list(store.pages(**EVER, rows_max=rows_max))
        assert all(0 < len(page) <= rows_max for page in pages)
        assert all(len(page) == rows_max for page in pages[:-1])
        assert rows_of(concat([empty(UNITS, SIGNALS), *pages])) == rows_of(store.read(**EVER))


@given(
    rows=readings,
    seen=st.dictionaries(
        st.tuples(st.sampled_from(UNITS), st.sampled_from(SIGNALS)), st.integers(NOON_NS, NOON_NS + 6)
    ),
)
@settings(max_examples=30, deadline=None)
def test_after_gives_what_is_newer_than_the_frontier_in_order_of_arrival(new_store, rows, seen):
    with new_store() as store:
        store.append(batch_of(*rows))
        kept = rows_of(store.read(**EVER))
        newer = [row for row in kept if row[:2] not in seen or row[2] > seen[row[:2]]]
        arrival = sorted(newer, key=lambda row: (row[4], row[2], UNITS.index(row[0]), SIGNALS.index(row[1])))
        assert rows_of(store.after(seen, UNITS, SIGNALS)) == arrival


def test_newest_is_the_last_in_time_not_the_last_received(store):
    store.append(volts(13.1, 13.2))
    store.append(volts(12.0, begin_ns=NOON_NS - MINUTE_NS))
    newest = store.newest(UNITS, SIGNALS)
    assert rows_of(newest) == [("pump-1", "battery_voltage", NOON_NS + MINUTE_NS, 13.2, NOON_NS + MINUTE_NS)]


def test_span_goes_over_all_units(store):
    store.append(volts(1.0, unit="pump-2"))
    store.append(volts(1.0, 2.0, unit="pump-1", begin_ns=NOON_NS - MINUTE_NS))
    store.append(volts(1.0, unit="school", begin_ns=NOON_NS + MINUTE_NS))
    assert store.span_ns() == (NOON_NS - MINUTE_NS, NOON_NS + MINUTE_NS)


def test_tracks_names_what_there_are_readings_of(store):
    store.append(volts(1.0, unit="school"))
    store.append(volts(1.0, unit="pump-2"))
    assert store.tracks() == [("pump-2", "battery_voltage"), ("school", "battery_voltage")]


def test_few_readings_are_shown_as_they_are(store):
    store.append(volts(1.0, 5.0, 3.0))
    shown = store.downsampled(
        unit="pump-1", signal="battery_voltage", from_ns=NOON_NS, to_ns=NOON_NS + 3 * MINUTE_NS, points=3
    )
    assert shown.time_ns.tolist() == [NOON_NS, NOON_NS + MINUTE_NS, NOON_NS + 2 * MINUTE_NS]
    assert shown.least.tolist() == shown.mean.tolist() == shown.greatest.tolist() == [1.0, 5.0, 3.0]


def test_many_readings_are_shown_by_least_mean_and_greatest_of_equal_cells(store):
    store.append(volts(1.0, 5.0, 3.0, 9.0, 2.0, 4.0))
    shown = store.downsampled(
        unit="pump-1", signal="battery_voltage", from_ns=NOON_NS, to_ns=NOON_NS + 6 * MINUTE_NS, points=2
    )
    assert shown.time_ns.tolist() == [NOON_NS, NOON_NS + 3 * MINUTE_NS]
    assert shown.least.tolist() == [1.0, 2.0]
    assert shown.mean.tolist() == [3.0, 5.0]
    assert shown.greatest.tolist() == [5.0, 9.0]


def test_a_gap_is_shown_as_a_gap(store):
    """A cell without readings is left out: nothing is drawn where nothing was measured."""
    store.append(volts(1.0, 2.0, 3.0))
    store.append(volts(7.0, 8.0, begin_ns=NOON_NS + 58 * MINUTE_NS))
    shown = store.downsampled(
        unit="pump-1", signal="battery_voltage", from_ns=NOON_NS, to_ns=NOON_NS + 60 * MINUTE_NS, points=4
    )
    assert shown.time_ns.tolist() == [NOON_NS, NOON_NS + 45 * MINUTE_NS]
    assert shown.greatest.tolist() == [3.0, 8.0]


@given(count=st.integers(0, 60), span=st.integers(0, 70), points=st.integers(1, 20))
@settings(max_examples=40, deadline=None)
def test_downsampling_loses_no_extreme_and_keeps_to_its_points(new_store, count, span, points):
    values = [float((position * 37) % 61) for position in range(count)]
    with new_store() as store:
        store.append(volts(*values, step_ns=7))
        shown = store.downsampled(
            unit="pump-1", signal="battery_voltage", from_ns=NOON_NS, to_ns=NOON_NS + 7 * span, points=points
        )
    inside = values[:span]
    assert len(shown.time_ns) <= points
    assert (np.diff(shown.time_ns) > 0).all()
    assert ((shown.least <= shown.mean) & (shown.mean <= shown.greatest)).all()
    if inside:
        assert (shown.least.min(), shown.greatest.max()) == (min(inside), max(inside))
    else:
        assert len(shown.time_ns) == 0


def test_threads_that_append_and_read_at_once_lose_nothing(store):
    """Eight writers with overlapping batches and eight readers: each reading is there once, fresh for one writer."""

    def append(writer):
        begin_ns = NOON_NS + writer * 50 * MINUTE_NS
        fresh = store.append(volts(*range(100), begin_ns=begin_ns)).fresh.sum()
        return int(fresh), len(store.read(**EVER))

    with ThreadPoolExecutor(8) as threads:
        counts = list(threads.map(append, range(16)))
    assert sum(fresh for fresh, _ in counts) == 17 * 50
    assert store.read(**EVER).time_ns.tolist() == [NOON_NS + MINUTE_NS * position for position in range(17 * 50)]
    assert all(seen >= 100 for _, seen in counts)


@pytest.mark.parametrize(
    "use",
    [
        lambda store: store.append(volts(1.0)),
        lambda store: store.read(**EVER),
        lambda store: store.newest(UNITS, SIGNALS),
        lambda store: store.span_ns(),
    ],
)
def test_a_closed_store_says_so(open_readings, tmp_path, use):
    store = open_readings(tmp_path)
    store.append(volts(1.0))
    store.close()
    store.close()
    with pytest.raises(StoreUnavailable, match="closed"):
        use(store)
