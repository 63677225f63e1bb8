"""What the embedded store promises beyond the contract: a small file, readers beside the writer, nothing left open."""

import os
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing

import numpy as np
import pytest

from monitor.batch import from_columns
from monitor.stores.embedded import FILE_NAME, EmbeddedReadings
from monitor.stores.protocols import StoreUnavailable

EVER = {"units": ("u",), "signals": ("s",), "from_ns": 0, "to_ns": 2**62}


def batch(count, begin=0):
    times = np.arange(begin, begin + count)
    return from_columns(("u",), ("s",), times, np.zeros(count), np.zeros(count), times / 8, times)


def test_every_commit_reaches_the_disk(tmp_path):
    """Decision 1: what is acknowledged must survive a power cut; SQLite promises that with synchronous=FULL (2)."""
    store = EmbeddedReadings(tmp_path)
    with store._file.writing() as connection:
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,)
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    store.close()


def test_reading_does_not_wait_for_the_writer(tmp_path):
    store = EmbeddedReadings(tmp_path, busy_timeout_s=0.0)
    store.append(batch(3))
    with store._file.writing() as connection:
        connection.execute("DELETE FROM reading")
        assert len(store.read(**EVER)) == 3
    assert len(store.read(**EVER)) == 0
    store.close()


def test_numbers_are_kept_as_numbers(tmp_path):
    """An integer of NumPy would be stored as a blob, and come back as bytes."""
    store = EmbeddedReadings(tmp_path)
    store.append(batch(3))
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as shell:
        kinds = shell.execute(
            "SELECT DISTINCT typeof(track), typeof(time), typeof(value), typeof(received) FROM reading"
        )
        assert kinds.fetchall() == [("integer", "integer", "real", "integer")]
    store.close()


def test_a_reading_takes_less_than_forty_bytes(tmp_path):
    store = EmbeddedReadings(tmp_path)
    begin = 1_767_225_600_000_000_000
    for part in range(10):
        store.append(batch(2_000, begin + 2_000 * part))
    store.close()
    assert (tmp_path / FILE_NAME).stat().st_size < 20_000 * 40


def test_no_connection_stays_open(tmp_path):
    store = EmbeddedReadings(tmp_path)
    store.append(batch(10))
    with ThreadPoolExecutor(12) as threads:
        list(threads.map(lambda _: store.read(**EVER), range(60)))
    next(store.pages(**EVER, rows_max=2))  # a reader that stops half-way
    store.close()
    open_files = [os.readlink(f"/proc/self/fd/{number}") for number in os.listdir("/proc/self/fd") if _is_link(number)]
    assert not [name for name in open_files if name.startswith(str(tmp_path))]


def _is_link(number):
    return os.path.lexists(f"/proc/self/fd/{number}")  # the listing itself had one open


def test_a_folder_that_is_a_file_is_met_at_the_start(tmp_path):
    (tmp_path / "data").write_text("not a folder")
    with pytest.raises(StoreUnavailable, match="cannot be opened"):
        EmbeddedReadings(tmp_path / "data")


def test_a_file_that_is_no_database_is_named(tmp_path):
    (tmp_path / FILE_NAME).write_bytes(b"this is no database, whatever its name says " * 200)
    with pytest.raises(StoreUnavailable, match=f"{FILE_NAME}.*restore the newest backup"):
        EmbeddedReadings(tmp_path)
