"""Asking a program over plain HTTP on loopback, as a caller outside of it does.

In: an address. Out: its answer. Touches loopback.

httpx makes a TLS context a call even where none is needed, and reading the certificates of all authorities takes 50 ms
of computing: tests that look until something is so would spend most of their time on it. So all calls share one.
"""

import ssl
from functools import partial

import httpx

CONTEXT = ssl.create_default_context()
get = partial(httpx.get, verify=CONTEXT)
post = partial(httpx.post, verify=CONTEXT)
stream = partial(httpx.stream, verify=CONTEXT)
