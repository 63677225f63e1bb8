"""The program itself: does it live, can it work, and its metrics.

In: the status that the wiring gives, the alarms that stand. Out: JSON, OpenMetrics text. May import: prometheus_client,
monitor.api.parts.
"""

from collections.abc import Iterable

from fastapi import APIRouter
from fastapi.responses import Response
from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector
from pydantic import BaseModel

from monitor.api.parts import Parts
from monitor.api.problems import Place, Problem, documented
from monitor.api.shapes import text_of
from monitor.stores.protocols import StoreUnavailable


class LiveOut(BaseModel):
    """The program answers."""

    live: bool = True


class ReadyOut(BaseModel):
    """The program can do its work."""

    ready: bool = True
    assessed_until: str | None
    assessment_lag_s: float
    call_outs_waiting: int


def troubles(parts: Parts) -> list[Place]:
    """What keeps the program from its work, one sentence each; empty: nothing."""
    status = parts.status()
    found = [Place(place="program", detail=error) for error in status.errors]
    if not status.listening:
        found.insert(0, Place(place="broker", detail="Not connected to the broker: no readings arrive."))
    try:
        parts.operations.assessed_until_ns()
    except StoreUnavailable as reason:
        found.append(Place(place="operations store", detail=str(reason)))
    return found


class StillreadyMetrics(Collector):
    """Asks the program when it is asked; keeps nothing itself."""

    def __init__(self, parts: Parts) -> None:
        self._parts = parts

    def collect(self) -> Iterable[Metric]:
        """The contract's metrics."""
        status = self._parts.status()
        yield CounterMetricFamily(
            "stillready_messages_received", "Messages received from the broker.", status.messages_received
        )
        yield CounterMetricFamily("stillready_readings_stored", "Readings kept.", status.readings_stored)
        yield CounterMetricFamily(
            "stillready_readings_quarantined", "Readings and messages set aside.", status.readings_quarantined
        )
        standing = sum(alarm.present for alarm in self._parts.operations.standing())
        yield GaugeMetricFamily("stillready_alarms_open", "Alarms whose condition is present.", standing)
        yield GaugeMetricFamily(
            "stillready_assessment_lag_seconds", "How far the assessment is behind.", status.assessment_lag_s
        )
        call_outs = CounterMetricFamily(
            "stillready_call_outs", "Pushes by channel and outcome.", labels=("channel", "outcome")
        )
        for (channel, outcome), count in sorted(status.call_outs.items()):
            call_outs.add_metric((channel, outcome), count)
        yield call_outs


def exposition(registry: CollectorRegistry) -> bytes:
    """The registry in OpenMetrics text."""
    body: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]  # the package leaves it without types
    return body


def health_routes(parts: Parts) -> APIRouter:
    """The routes over these parts, with a registry of their own."""
    router = APIRouter()
    registry = CollectorRegistry(auto_describe=False)
    registry.register(StillreadyMetrics(parts))

    @router.get("/health/live", summary="Does the program answer?")
    def get_live() -> LiveOut:
        return LiveOut()

    @router.get("/health/ready", summary="Can the program do its work?", responses=documented(503))
    def get_ready() -> ReadyOut:
        found = troubles(parts)
        if found:
            raise Problem(503, found[0].detail, "Each of `errors` says what does not work.", errors=found, retry=True)
        status = parts.status()
        return ReadyOut(
            assessed_until=text_of(status.assessed_until_ns),
            assessment_lag_s=status.assessment_lag_s,
            call_outs_waiting=status.call_outs_waiting,
        )

    @router.get(
        "/metrics",
        summary="Metrics",
        response_class=Response,
        responses={
            200: {"content": {"application/openmetrics-text": {"schema": {"type": "string"}}}},
            **documented(503),
        },
    )
    def get_metrics() -> Response:
        return Response(exposition(registry), media_type=CONTENT_TYPE_LATEST)

    return router
