"""Addresses that the user named: taken as they are, or refused in a sentence."""

import socket

import pytest

from monitor.commands.demo_ports import browser_url, free_port, named_port


def test_a_free_port_that_was_named_is_taken():
    port = free_port()
    assert named_port(f"127.0.0.1:{port}") == ("127.0.0.1", port)


def test_a_named_port_that_somebody_has_is_refused_with_what_to_do():
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(SystemExit, match=rf"127\.0\.0\.1:{port}: Address already in use\. Name another port"):
            named_port(f"127.0.0.1:{port}")


@pytest.mark.parametrize("listen", ["8460", "127.0.0.1", "127.0.0.1:http", "127.0.0.1:99999"])
def test_what_is_no_address_is_refused(listen):
    with pytest.raises(SystemExit, match="HOST:PORT"):
        named_port(listen)


@pytest.mark.parametrize(
    ("host", "url"),
    [("127.0.0.1", "http://127.0.0.1:80"), ("0.0.0.0", "http://127.0.0.1:80"), ("::", "http://[::1]:80")],
)
def test_a_browser_on_this_machine_is_given_an_address_it_can_open(host, url):
    assert browser_url(host, 80) == url
