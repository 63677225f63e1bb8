"""Asking a program over plain HTTP on loopback, as a caller outside of it does.

In: an address. Out: its answer. Touches loopback.

httpx makes a TLS context a call even where none is needed, and reading the certificates of all authorities takes 50 ms
of computing: tests that look until something is so would spend most of their time on it.
"""

from functools import partial

import httpx

get = partial(httpx.get, verify=False)
post = partial(httpx.post, verify=False)
stream = partial(httpx.stream, verify=False)
