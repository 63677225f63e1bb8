"""A house with the valley in it, and a client that speaks to its app."""

from collections.abc import Iterator

import pytest
from fastapi.testclient import TestClient

from monitor.api.app import create_app
from tests.builders import House, busy_house


@pytest.fixture
def house(tmp_path) -> Iterator[House]:
    """The valley on a bad morning."""
    made = busy_house(tmp_path)
    yield made
    made.close()


@pytest.fixture
def client(house) -> Iterator[TestClient]:
    """Speaks to the app as another program would."""
    with TestClient(create_app(house.parts()), raise_server_exceptions=False) as speaking:
        yield speaking
