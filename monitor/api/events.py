"""The stream of live changes: server-sent events over monitor.api.live.

In: a client's request. Out: an endless text/event-stream. May import: sse_starlette, monitor.api.live.
"""

from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import APIRouter, Header, Query
from sse_starlette import EventSourceResponse, ServerSentEvent

from monitor.api.live import LiveEvents, Subscription
from monitor.api.problems import documented

PING_S = 15  # keeps proxies from closing a quiet stream, and tells a page that the program is there
SEND_S_MAX = 30.0  # a client that takes nothing for so long is gone
RETRY_MS = 2_000  # how soon a browser comes back
UNITS_MAX = 100  # named in one address


def events_route(live: LiveEvents) -> APIRouter:
    """The route over this bus."""
    router = APIRouter(prefix="/api/v1")

    @router.get(
        "/events",
        summary="Live changes as server-sent events",
        description=(
            "Events `reading` (newest values, at most once a second), `alarm`, `call-out`, `unit`. A client that does "
            "not keep up gets `lagging` and its stream ends: read the state again and connect anew. With Last-Event-ID "
            "changes that were missed follow first, as far as they are kept."
        ),
        response_class=EventSourceResponse,
        responses={
            200: {
                "description": "The stream.",
                "content": {
                    "text/event-stream": {
                        "schema": {"type": "string"},
                        "example": 'event: unit\ndata: {"unit":"mill-2"}\nid: 1f00aa07-12\n\n',
                    }
                },
            },
            **documented(422, 503),
        },
    )
    async def get_events(
        unit: Annotated[list[str] | None, Query(max_length=UNITS_MAX, description="Only these units.")] = None,
        after: Annotated[
            str, Query(max_length=64, description="As Last-Event-ID, for the first connection of a browser.")
        ] = "",
        last_event_id: Annotated[str, Header(max_length=64)] = "",
    ) -> EventSourceResponse:
        wanted = frozenset(unit) if unit else None
        subscription = live.subscribe(units=wanted, last_event_id=last_event_id or after)
        return EventSourceResponse(
            _stream(live, subscription),
            ping=PING_S,
            ping_message_factory=lambda: ServerSentEvent(event="alive", data="{}"),
            send_timeout=SEND_S_MAX,
            sep="\n",
        )

    return router


async def _stream(live: LiveEvents, subscription: Subscription) -> AsyncIterator[ServerSentEvent]:
    try:
        # At once, or a browser does not know that it is connected until something happens.
        yield ServerSentEvent(event="alive", data="{}", retry=RETRY_MS)
        async for event in subscription.events():
            yield ServerSentEvent(event=event.kind, data=event.data, id=event.id or None)
    finally:
        live.unsubscribe(subscription)
