"""A real server in a thread, for what a test client cannot show: endless streams, browsers."""

import socket
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Thread

import uvicorn

from monitor.api.app import create_app
from tests.builders import House


@contextmanager
def serving(house: House) -> Iterator[str]:
    """The house's app on a free port of loopback; gives the address it is reached under.

    The socket listens before the server runs, so that nobody has to wait until it is up.
    """
    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        door.listen(64)
        address = f"http://127.0.0.1:{door.getsockname()[1]}"
        house.public_url = address
        settings = uvicorn.Config(
            create_app(house.parts()), log_level="warning", ws="none", lifespan="off", timeout_graceful_shutdown=1
        )
        server = uvicorn.Server(settings)
        thread = Thread(target=server.run, kwargs={"sockets": [door]})
        thread.start()
        try:
            yield address
        finally:
            house.live.close()
            server.should_exit = True
            thread.join(15)
            assert not thread.is_alive(), "the server stops when it is told to"
