"""The stores that the contract tests run against. A new store is one more line here."""

from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from monitor.stores.embedded import EmbeddedReadings
from monitor.stores.operations import FILE_NAME, SqlOperations
from monitor.stores.protocols import Operations, ReadingStore

OpenReadings = Callable[[Path], ReadingStore]
READINGS: dict[str, OpenReadings] = {"embedded": EmbeddedReadings}
OPERATIONS: dict[str, Callable[[Path], Operations]] = {"sqlite": lambda place: SqlOperations(place / FILE_NAME)}


@pytest.fixture(params=READINGS, scope="session")
def open_readings(request) -> OpenReadings:
    """Opens the readings kept at a place; what was kept there before is there again."""
    return READINGS[request.param]


@pytest.fixture
def store(open_readings, tmp_path) -> Iterator[ReadingStore]:
    """An empty store of readings."""
    store = open_readings(tmp_path)
    yield store
    store.close()


@pytest.fixture(scope="session")
def new_store(open_readings):
    """Opens an empty store of readings for one example of a law; the fixture above serves a whole test only."""

    class NewStore:
        def __enter__(self) -> ReadingStore:
            self.place = TemporaryDirectory()
            self.store = open_readings(Path(self.place.name))
            return self.store

        def __exit__(self, *_error: object) -> None:
            self.store.close()
            self.place.cleanup()

    return NewStore


@pytest.fixture(params=OPERATIONS, scope="session")
def open_operations(request):
    """Opens the operations kept at a place; what was kept there before is there again."""
    return OPERATIONS[request.param]


@pytest.fixture
def operations(open_operations, tmp_path) -> Iterator[Operations]:
    """An empty operations store."""
    operations = open_operations(tmp_path)
    yield operations
    operations.close()
