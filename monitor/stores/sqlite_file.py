"""One SQLite file: a writer, some readers, and what its errors mean in words.

In: a path and the tables it shall have. Out: connections inside a transaction, StoreUnavailable where there is none to
be had. May import: sqlite3, monitor.stores.protocols. Touches that one file (and the two that SQLite lays beside it).

Write-ahead log with synchronous=FULL: what is committed is on the disk, whatever is killed or unplugged afterwards;
readers and the writer do not wait for each other.
"""

import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from monitor.stores.protocols import StoreUnavailable

BUSY_TIMEOUT_S = 5.0  # another process (a backup, a shell) may hold the file this long before we say so
READERS_KEPT_MAX = 8  # open readers that wait for work; more threads than that open theirs anew
CHECKPOINT_PAGES = 8_000  # 32 MB of log before it goes into the file: a page changed often is then written once
LOG_BYTES_MAX = 128 * 2**20  # to this the log is cut back after a long reader let it grow
CACHE_KIB = 65_536  # of the writer: the newest page of each of some thousands of tracks fits

PRAGMAS = ("PRAGMA journal_mode = WAL", "PRAGMA synchronous = FULL", "PRAGMA foreign_keys = ON")


def sentence(error: sqlite3.Error, path: Path) -> str:
    """What an error of SQLite means for whoever runs the program: the file, what is wrong, what to do."""
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF  # the upper bits only refine
    match code:
        case sqlite3.SQLITE_FULL:
            return f"{path}: no room is left to write. Free some space on its disk; storing goes on by itself."
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return f"{path}: another program holds it locked. End that program; storing goes on by itself."
        case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_PERM | sqlite3.SQLITE_AUTH:
            return f"{path}: it cannot be written. Give the account that runs this program the right to write there."
        case sqlite3.SQLITE_CANTOPEN:
            return f"{path}: it cannot be opened. Check that its folder is there, may be written and has room."
        case sqlite3.SQLITE_CORRUPT | sqlite3.SQLITE_NOTADB:
            return f"{path}: it is damaged or no database ({error}). Put it aside and restore the newest backup."
        case sqlite3.SQLITE_IOERR:
            return f"{path}: its disk reports an error ({error}). Check the disk and its free space."
    return f"{path}: the database refuses ({error}). Look at the disk and the rights of the file."


def is_ours(error: sqlite3.Error) -> bool:
    """Whether an error can only come from a mistake in this program, which waiting would not heal."""
    return isinstance(error, sqlite3.IntegrityError | sqlite3.ProgrammingError | sqlite3.DataError)


class SqliteFile:
    """Connections to one file. Any thread may call; one writes at a time, readers see the last commit."""

    def __init__(self, path: Path, *, tables: Sequence[str], busy_timeout_s: float = BUSY_TIMEOUT_S) -> None:
        """Open the file, or make it with its tables (statements that may be repeated).

        Raises:
            StoreUnavailable: it cannot be opened or made.
        """
        self.path = path
        self._tables = tuple(tables)
        self._busy_timeout_s = busy_timeout_s
        self._write_lock = threading.Lock()
        self._readers_lock = threading.Lock()
        self._readers: list[sqlite3.Connection] = []
        self._writer: sqlite3.Connection | None = None
        self._closed = False
        with self.writing():
            pass  # a folder that cannot be used is met at the start, not at the first reading

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """A transaction of the one writer: committed, and on the disk, when the block ends; undone when it raises.

        After an error of the database the connection is given up and opened anew at the next call, so that nothing
        of a failed state stays.

        Raises:
            StoreUnavailable: nothing of the block was kept.
        """
        with self._write_lock:
            self._refuse_closed()
            try:
                if self._writer is None:
                    self._writer = self._open_writer()
                self._writer.execute("BEGIN IMMEDIATE")
                yield self._writer
                self._writer.execute("COMMIT")
            except sqlite3.Error as error:
                self._drop_writer()
                if is_ours(error):
                    raise
                raise StoreUnavailable(sentence(error, self.path)) from error
            except BaseException:
                self._drop_writer()
                raise

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """One snapshot of the file to read from, on a connection that no other thread has meanwhile.

        Raises:
            StoreUnavailable: the file cannot be read.
        """
        connection: sqlite3.Connection | None = None
        whole = False
        try:
            connection = self._take_reader()
            connection.execute("BEGIN")
            yield connection
            connection.execute("COMMIT")
            whole = True
        except sqlite3.Error as error:
            if is_ours(error):
                raise
            raise StoreUnavailable(sentence(error, self.path)) from error
        finally:
            if connection is not None:
                self._put_back(connection, whole=whole)

    def close(self) -> None:
        """Let go of the file. Later calls raise StoreUnavailable."""
        with self._write_lock, self._readers_lock:
            self._closed = True
            for reader in self._readers:
                reader.close()
            self._readers.clear()
            if self._writer is not None:
                self._writer.close()
                self._writer = None

    def _refuse_closed(self) -> None:
        if self._closed:
            raise StoreUnavailable(f"{self.path}: this store was closed. Open it again.")

    def _connect(self) -> sqlite3.Connection:
        return sqlite3.connect(
            self.path, timeout=self._busy_timeout_s, isolation_level=None, check_same_thread=False, cached_statements=32
        )

    def _open_writer(self) -> sqlite3.Connection:
        with suppress(OSError):  # SQLite then says that it cannot open the file, and why is in the sentence
            self.path.parent.mkdir(parents=True, exist_ok=True)
        connection = self._connect()
        try:
            for pragma in PRAGMAS:
                connection.execute(pragma)
            connection.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}")
            connection.execute(f"PRAGMA journal_size_limit = {LOG_BYTES_MAX}")
            connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
            for table in self._tables:
                connection.execute(table)
        except BaseException:
            connection.close()
            raise
        return connection

    def _drop_writer(self) -> None:
        if self._writer is not None:
            with suppress(sqlite3.Error), closing(self._writer) as connection:
                connection.rollback()
        self._writer = None

    def _take_reader(self) -> sqlite3.Connection:
        with self._readers_lock:
            self._refuse_closed()
            if self._readers:
                return self._readers.pop()
        connection = self._connect()
        connection.execute("PRAGMA query_only = ON")
        return connection

    def _put_back(self, connection: sqlite3.Connection, *, whole: bool) -> None:
        with self._readers_lock:
            if whole and not self._closed and len(self._readers) < READERS_KEPT_MAX:
                self._readers.append(connection)
                return
        connection.close()
