"""The operations database: opening it, bringing its tables up to date, and transactions.

In: a path (SQLite) or a URL of SQLAlchemy. Out: connections inside a transaction, StoreUnavailable where there is none
to be had. May import: sqlalchemy, alembic, monitor.stores. Touches that database.
"""

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, inspect, make_url, text
from sqlalchemy.exc import ArgumentError, DataError, DBAPIError, IntegrityError, ProgrammingError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from monitor.stores.protocols import StoreUnavailable
from monitor.stores.sqlite_file import BUSY_TIMEOUT_S, PRAGMAS, sentence
from monitor.stores.tables import HEAD

_migrating = threading.Lock()  # alembic keeps what it works on in a module


class Database:
    """Connections to the operations database. Any thread may call; within one process one writes at a time."""

    def __init__(self, url_or_path: str | Path, *, busy_timeout_s: float = BUSY_TIMEOUT_S) -> None:
        """Open the database, make it where there is none, and bring its tables up to date.

        Args:
            url_or_path: of a file (SQLite), or a URL as postgresql+psycopg://user@host/name.
            busy_timeout_s: how long to wait for another program that holds the file, s.
        Raises:
            StoreUnavailable: it cannot be opened or made, or a newer version of this program wrote it.
            ValueError: the URL is none.
        """
        self._url = _url(url_or_path)
        self._write_lock = threading.Lock()
        self._closed = False
        self._engine = self._make_engine(busy_timeout_s)
        try:
            with self.writing() as connection:
                _migrate(connection, self.place)
        except BaseException:
            self.close()
            raise

    @property
    def place(self) -> str:
        """Where it is, for people: the file, or the URL without its password."""
        if self._is_sqlite:
            return self._url.database or "memory"
        return self._url.render_as_string(hide_password=True)

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that changes something: committed when the block ends, undone when it raises.

        Raises:
            StoreUnavailable: nothing of the block was kept.
        """
        with self._write_lock, self._transaction(writing=True) as connection:
            yield connection

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """One snapshot to read from.

        Raises:
            StoreUnavailable: it cannot be read.
        """
        with self._transaction(writing=False) as connection:
            yield connection

    def close(self) -> None:
        """Let go of all connections. Later calls raise StoreUnavailable."""
        self._closed = True
        self._engine.dispose()

    @property
    def _is_sqlite(self) -> bool:
        return self._url.get_backend_name() == "sqlite"

    def _make_engine(self, busy_timeout_s: float) -> Engine:
        if not self._is_sqlite:
            return create_engine(self._url, pool_pre_ping=True)
        if self._url.database:
            with suppress(OSError):  # SQLite then says that it cannot open the file
                Path(self._url.database).parent.mkdir(parents=True, exist_ok=True)
        engine = create_engine(self._url, connect_args={"timeout": busy_timeout_s})
        event.listen(engine, "connect", _set_up_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
        return engine

    @contextmanager
    def _transaction(self, *, writing: bool) -> Iterator[Connection]:
        if self._closed:
            raise StoreUnavailable(f"{self.place}: this database was closed. Open it again.")
        try:
            with self._engine.connect() as plain:
                connection = plain.execution_options(writing=writing)
                try:
                    with connection.begin():
                        yield connection
                except DBAPIError:
                    connection.invalidate()  # nothing of a failed state stays: the next call connects anew
                    raise
        except (IntegrityError, ProgrammingError, DataError):
            raise  # a mistake of ours, which waiting would not heal
        except DBAPIError as error:
            raise StoreUnavailable(self._sentence(error)) from error
        except sqlite3.Error as error:  # raw from _set_up_sqlite: that runs before SQLAlchemy wraps errors
            raise StoreUnavailable(sentence(error, Path(self.place))) from error
        except PoolTimeoutError as error:
            raise StoreUnavailable(f"{self.place}: all connections are in use. Wait; this heals by itself.") from error

    def _sentence(self, error: DBAPIError) -> str:
        if isinstance(error.orig, sqlite3.Error):
            return sentence(error.orig, Path(self.place))
        reason = " ".join(str(error.orig).split())  # drivers write several lines
        return f"{self.place}: the database does not answer or refuses ({reason}). Check that it runs."


def _url(url_or_path: str | Path) -> URL:
    if isinstance(url_or_path, Path) or "://" not in url_or_path:
        return URL.create("sqlite", database=str(url_or_path))
    try:
        return make_url(url_or_path)
    except ArgumentError:
        raise ValueError(
            f'"{url_or_path}" is no database URL. Write it as postgresql+psycopg://user@host/name.'
        ) from None


def _set_up_sqlite(connection: sqlite3.Connection, _record: Any) -> None:
    connection.isolation_level = None  # transactions are begun below, in the kind that is needed
    for pragma in PRAGMAS:
        connection.execute(pragma)


def _begin_sqlite(connection: Connection) -> None:
    # Who will write takes the lock at once: one who read first and then wants it may find that another was faster.
    writing = connection.get_execution_options().get("writing", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


def _migrate(connection: Connection, place: str) -> None:
    """Bring the tables to HEAD, in the caller's transaction."""
    there = None
    if inspect(connection).has_table("alembic_version"):
        there = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    if there == HEAD:
        return
    if there is not None and there > HEAD:
        raise StoreUnavailable(
            f"{place}: version {there} of this program's tables; this one knows up to {HEAD}. Update it."
        )
    from alembic import command  # here, because its import takes longer than all else at a start

    with _migrating:
        command.upgrade(alembic_config(connection), "head")


def alembic_config(connection: Connection) -> Any:
    """What alembic's commands need to run our steps on a connection."""
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "monitor:migrations")
    config.attributes["connection"] = connection
    return config
