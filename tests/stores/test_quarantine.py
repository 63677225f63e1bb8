"""What every operations store does with what could not be read: counted, bounded, given out to be read again."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.acquisition.quarantine import PAYLOAD_KEPT_MAX, Reason, SetAside
from monitor.stores import quarantine_rows
from monitor.stores.operations import FILE_NAME, SqlOperations


def item(at_ns=1, *, place="record 1", reason=Reason.UNREADABLE, payload=b"{}", unit="pump-1", **more):
    return SetAside(at_ns, "stillready/site/pump-1/readings", place, reason, "No number.", payload, unit=unit, **more)


def test_an_item_comes_back_as_it_was(operations):
    kept = item(content_type="application/senml+cbor", payload=bytes(range(256)), times=3)
    operations.set_aside([kept])
    assert operations.quarantined(limit=10) == [kept]


def test_the_same_again_raises_its_count_and_moves_its_time_on(operations):
    operations.set_aside([item(10), item(12), item(11)])
    operations.set_aside([item(5)])
    (kept,) = operations.quarantined(limit=10)
    assert (kept.times, kept.received_ns) == (4, 12)


def test_items_are_kept_across_a_restart(open_operations, tmp_path):
    first = open_operations(tmp_path)
    first.set_aside([item()])
    first.close()
    again = open_operations(tmp_path)
    again.set_aside([item()])
    assert again.quarantined(limit=10)[0].times == 2
    again.close()


def test_items_are_listed_newest_first_and_by_unit_and_kind(operations):
    operations.set_aside(
        [
            item(1, place="a"),
            item(3, place="b", reason=Reason.FUTURE),
            item(2, place="c", unit="school"),
        ]
    )
    assert [each.place for each in operations.quarantined(limit=10)] == ["b", "c", "a"]
    assert [each.place for each in operations.quarantined(limit=1)] == ["b"]
    assert [each.place for each in operations.quarantined(limit=10, unit="school")] == ["c"]
    assert [each.place for each in operations.quarantined(limit=10, reason="future")] == ["b"]
    assert operations.quarantine_counts() == {"future": 1, "unreadable": 2}


def test_items_of_a_unit_that_became_known_are_given_out_until_released(operations):
    unknown = [item(at_ns, place=f"record {at_ns}", reason=Reason.UNKNOWN_UNIT, unit="new") for at_ns in (3, 1, 2)]
    operations.set_aside([*unknown, item(unit="new"), item(reason=Reason.UNKNOWN_UNIT, unit="other")])
    taken = operations.take_quarantined("new")
    assert [each.received_ns for each in taken] == [1, 2, 3]
    assert operations.take_quarantined("new") == taken
    assert operations.release_quarantined([each.key for each in taken[:2]]) == 2
    assert operations.take_quarantined("new") == taken[2:]
    assert operations.release_quarantined(["no such key"]) == 0


def test_so_many_are_given_out_at_once_as_memory_holds(operations):
    count = quarantine_rows.TAKEN_MAX + 7
    operations.set_aside([item(n, place=f"record {n}", reason=Reason.UNKNOWN_UNIT, unit="new") for n in range(count)])
    given_out = []
    for _ in range(3):
        taken = operations.take_quarantined("new")
        given_out.append(len(taken))
        operations.release_quarantined([each.key for each in taken])
    assert given_out == [quarantine_rows.TAKEN_MAX, 7, 0]


hostile = st.text(max_size=100)


@given(source=hostile, place=hostile, unit=hostile, text=hostile, payload=st.binary(max_size=50))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_an_outsider_sends_can_be_kept_and_released(operations, source, place, unit, text, payload):
    """Half surrogates and NUL, which a database refuses, are replaced; the key follows from what is kept."""
    operations.set_aside([SetAside(1, source, place, Reason.UNKNOWN_UNIT, text, payload, unit=unit)])
    (kept,) = operations.quarantined(limit=10)
    assert kept.payload == payload
    assert operations.release_quarantined([kept.key]) == 1
    assert operations.quarantined(limit=10) == []


def test_a_payload_beyond_its_bound_is_cut(operations):
    operations.set_aside([item(payload=b"x" * (PAYLOAD_KEPT_MAX + 1))])
    (kept,) = operations.quarantined(limit=1)
    assert len(kept.payload) == PAYLOAD_KEPT_MAX
    assert operations.release_quarantined([kept.key]) == 1


@pytest.mark.parametrize(
    "bounds", [{"items_max": 6, "bytes_max": 10_000}, {"items_max": 10, "bytes_max": 600}], ids=["items", "bytes"]
)
def test_the_oldest_make_room_and_their_number_stays(tmp_path, bounds):
    operations = SqlOperations(tmp_path / FILE_NAME)
    operations.set_aside([item(n, place=f"record {n}", payload=bytes(100), times=2) for n in range(10)])
    with operations._database.writing() as connection:
        assert quarantine_rows.make_room(connection, **bounds) == 4
        assert quarantine_rows.make_room(connection, items_max=7, bytes_max=600) == 0
    left = operations.quarantined(limit=20)
    assert {each.received_ns for each in left if each.payload} == {4, 5, 6, 7, 8, 9}
    (trace,) = [each for each in left if not each.payload]
    assert (trace.times, trace.reason) == (8, Reason.UNREADABLE)
    operations.close()


def test_a_flood_meets_the_bound_by_itself(operations, monkeypatch):
    monkeypatch.setattr(quarantine_rows, "ITEMS_MAX", 100)
    for begin in range(0, 5_000, 500):
        operations.set_aside([item(n, place=f"record {n}") for n in range(begin, begin + 500)])
    assert operations.quarantine_counts()["unreadable"] <= 100 + quarantine_rows.CHECKED_EACH
    kept = operations.quarantined(limit=10_000)
    assert sum(each.times for each in kept) == 5_000
    assert item(4_999, place="record 4999") in kept
