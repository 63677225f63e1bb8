"""No room, a lock, a damaged file: the store says what is wrong, keeps all or nothing, and goes on by itself."""

import sqlite3
import subprocess
import sys
from contextlib import closing, contextmanager

import numpy as np
import pytest

from monitor.acquisition.quarantine import Reason, SetAside
from monitor.batch import from_columns
from monitor.stores import embedded, operations
from monitor.stores.embedded import EmbeddedReadings
from monitor.stores.operations import SqlOperations
from monitor.stores.protocols import StoreUnavailable

EVER = {"units": ("u",), "signals": ("s",), "from_ns": 0, "to_ns": 2**62}


def batch(count, begin=0):
    times = np.arange(begin, begin + count)
    return from_columns(("u",), ("s",), times, np.zeros(count), np.zeros(count), times / 8, times)


def item(text="nonsense"):
    return SetAside(1, "stillready/site/u/readings", "record 1", Reason.UNREADABLE, text)


@contextmanager
def held(path):
    """Another program that holds the file for writing."""
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        yield
        other.execute("ROLLBACK")


def test_readings_wait_for_a_lock_and_go_on_when_it_is_gone(tmp_path):
    store = EmbeddedReadings(tmp_path, busy_timeout_s=0.02)
    store.append(batch(5))
    with held(tmp_path / embedded.FILE_NAME):
        with pytest.raises(StoreUnavailable, match="another program holds it locked"):
            store.append(batch(5, begin=5))
        assert len(store.read(**EVER)) == 5
    assert store.append(batch(5, begin=5)).fresh.all()
    assert len(store.read(**EVER)) == 10
    store.close()


def test_operations_wait_for_a_lock_and_go_on_when_it_is_gone(tmp_path):
    kept = SqlOperations(tmp_path / operations.FILE_NAME, busy_timeout_s=0.02)
    with held(tmp_path / operations.FILE_NAME):
        with pytest.raises(StoreUnavailable, match="another program holds it locked"):
            kept.set_aside([item()])
        assert kept.quarantine_counts() == {}
    kept.set_aside([item()])
    assert kept.quarantine_counts() == {"unreadable": 1}
    kept.close()


def test_a_damaged_operations_file_is_named(tmp_path):
    path = tmp_path / operations.FILE_NAME
    path.write_bytes(b"this is no database, whatever its name says " * 200)
    with pytest.raises(StoreUnavailable, match=f"{operations.FILE_NAME}.*restore the newest backup"):
        SqlOperations(path)


def test_a_page_damaged_while_running_is_named_and_a_restored_file_is_used(tmp_path):
    store = EmbeddedReadings(tmp_path)
    store.append(batch(20_000))
    store.close()
    path = tmp_path / embedded.FILE_NAME
    whole = path.read_bytes()
    path.write_bytes(whole[:8192] + b"\xff" * (len(whole) - 8192))
    store = EmbeddedReadings(tmp_path)
    with pytest.raises(StoreUnavailable, match="damaged"):
        store.read(**EVER)
    path.write_bytes(whole)
    assert len(store.read(**EVER)) == 20_000
    store.close()


# The kernel refuses to let a file grow past the limit: for SQLite a write that fails, at every place where it writes.
NO_ROOM = """
import resource, signal, sys
from pathlib import Path
import numpy as np
from monitor.acquisition.quarantine import Reason, SetAside
from monitor.batch import from_columns
from monitor.stores.embedded import EmbeddedReadings
from monitor.stores.operations import SqlOperations
from monitor.stores.protocols import StoreUnavailable

signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
place = Path(sys.argv[1])
EVER = {"units": ("u",), "signals": ("s",), "from_ns": 0, "to_ns": 2**62}

def batch(count, begin):
    times = np.arange(begin, begin + count)
    return from_columns(("u",), ("s",), times, np.zeros(count), np.zeros(count), times / 8, times)

def until_it_fits(write, kept, path):
    for refused in range(1_000):
        resource.setrlimit(resource.RLIMIT_FSIZE, (4096 * (refused + 1), resource.RLIM_INFINITY))
        try:
            write()
            return refused
        except StoreUnavailable as error:
            assert str(path) in str(error), error
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        assert kept() == 0, "a batch that was refused is not there in part"

store = EmbeddedReadings(place)
store.append(batch(10, 0))
refused = until_it_fits(lambda: store.append(batch(4_000, 10)), lambda: len(store.read(**EVER)) - 10, store._file.path)
assert len(store.read(**EVER)) == 4_010
store.close()

operations = SqlOperations(place / "operations.sqlite")
items = [SetAside(n, "topic", f"record {n}", Reason.UNREADABLE, "x", b"x" * 100) for n in range(500)]
count = lambda: sum(operations.quarantine_counts().values())
refused_items = until_it_fits(lambda: operations.set_aside(items), count, place / "operations.sqlite")
assert count() == 500
operations.close()
print(refused, refused_items)
"""


def test_a_full_disk_at_every_page_of_a_commit_leaves_all_or_nothing(tmp_path):
    child = subprocess.run([sys.executable, "-c", NO_ROOM, str(tmp_path)], capture_output=True, text=True, check=False)
    assert child.returncode == 0, child.stderr
    refused, refused_items = map(int, child.stdout.split())
    assert refused > 20
    assert refused_items > 20


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 2 MB, where the account that runs the tests may mount one."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", disk], capture_output=True, text=True, check=False
    )
    if mounted.returncode:
        pytest.skip(f"needs the right to mount a file system of 2 MB: {mounted.stderr.strip()}")
    yield disk
    subprocess.run(["umount", disk], check=True)


def test_a_full_disk_is_named_and_storing_goes_on_once_there_is_room(small_disk):
    store = EmbeddedReadings(small_disk)
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(1_500_000))
    stored = 0

    def store_without_end():
        nonlocal stored
        for begin in range(0, 100_000, 2_000):
            store.append(batch(2_000, begin))
            stored += 2_000

    with pytest.raises(StoreUnavailable, match=r"no room is left to write\. Free some space"):
        store_without_end()
    assert len(store.read(**EVER)) == stored
    ballast.unlink()
    store.append(batch(2_000, stored))
    assert len(store.read(**EVER)) == stored + 2_000
    store.close()
