"""Ports for the demo: a wished one where it is free, else any, or a sentence where the user named it.

In: hosts and ports. Out: ports and addresses. May import: monitor.settings. Touches sockets, for a moment.
"""

import socket

from monitor.settings import host_and_port

LOOPBACK = "127.0.0.1"


def free_port(host: str = LOOPBACK, wished: int = 0) -> int:
    """The wished port where nobody listens on it, else any free one."""
    if wished:
        try:
            return _tried(host, wished)
        except OSError:
            pass  # somebody has it: any other will do
    return _tried(host, 0)


def named_port(listen: str) -> tuple[str, int]:
    """Host and port of an address that the user named.

    Raises:
        SystemExit: it is no address, or nobody can listen there; the sentence says what to do.
    """
    try:
        host, port = host_and_port(listen)
    except ValueError as reason:
        raise SystemExit(str(reason)) from None
    try:
        return host, _tried(host, port)
    except OSError as reason:
        raise SystemExit(
            f"The demo cannot listen on {listen}: {reason.strerror or reason}. Name another port, or stop what has it."
        ) from None


def address(host: str, port: int) -> str:
    """HOST:PORT as the settings write it."""
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


def browser_url(host: str, port: int) -> str:
    """Where a browser on this machine finds it."""
    everywhere = {"0.0.0.0": LOOPBACK, "::": "::1"}  # noqa: S104  looked up, not listened on
    return f"http://{address(everywhere.get(host, host), port)}"


def family(host: str) -> socket.AddressFamily:
    """Of sockets that listen there."""
    return socket.AF_INET6 if ":" in host else socket.AF_INET


def _tried(host: str, port: int) -> int:
    """The port, once it was possible to listen on it."""
    with socket.socket(family(host), socket.SOCK_STREAM) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)  # as servers do: a port just left is free
        listener.bind((host, port))
        listener.listen()  # with SO_REUSEADDR binding alone may succeed beside a listener
        return int(listener.getsockname()[1])
