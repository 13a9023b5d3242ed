"""What the server tells of itself: a log line and an id for each request, and figures for a monitor.

Neither the log nor the figures hold what people typed: a request is told by the pattern of its address.
"""

from __future__ import annotations

import logging
import secrets
import time
from collections.abc import Iterator
from contextvars import ContextVar

from prometheus_client import CollectorRegistry, Counter, Histogram, ProcessCollector, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from kb import __version__
from kb.service import Shop
from kb.service.operate import health

log = logging.getLogger("kb.requests")
REQUEST_ID = "kb.request"
_current: ContextVar[str] = ContextVar("kb_request", default="")
# From a cached answer to an import that is still reasonable to wait for.
_SECONDS = (0.005, 0.01, 0.02, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 10, 60)


def current_request() -> str:
    """Id of the request that is being answered, "" outside of one."""
    return _current.get()


class Figures:
    """Counts and latencies by the pattern of the address, and how far the derived copies are."""

    def __init__(self, shop: Shop) -> None:
        self.registry = CollectorRegistry()
        self.requests = Counter(
            "kb_requests", "Requests answered", ("method", "route", "status"), registry=self.registry
        )
        self.seconds = Histogram(
            "kb_request_seconds",
            "Time from a request's head to the end of its answer",
            ("route",),
            buckets=_SECONDS,
            registry=self.registry,
        )
        ProcessCollector(registry=self.registry)
        self.registry.register(_ShopFigures(shop))

    def text(self) -> bytes:
        """All figures in the Prometheus text format."""
        return generate_latest(self.registry)


class _ShopFigures(Collector):
    """Read from the shop when somebody asks."""

    def __init__(self, shop: Shop) -> None:
        self._shop = shop

    def collect(self) -> Iterator[Metric]:
        program = GaugeMetricFamily("kb_program", "Version of the program", labels=("version",))
        program.add_metric((__version__,), 1)
        yield program
        found = health.health(self._shop)
        yield GaugeMetricFamily("kb_healthy", "1 while nothing is behind", value=float(found.ok))
        yield GaugeMetricFamily(
            "kb_cases", "Cases in the store, those in the bin left out", value=found.cases
        )
        yield GaugeMetricFamily("kb_change_number", "Newest change of the store", value=found.store)
        lag = GaugeMetricFamily(
            "kb_change_lag", "Changes that a derived copy has not taken in yet", labels=("copy",)
        )
        for copy, seen in (("index", found.index), ("counts", found.counts)):
            lag.add_metric((copy,), max(0, found.store - seen))
        yield lag
        if self._shop.store.is_shared:
            at_hand = self._shop.at_hand
            yield GaugeMetricFamily(
                "kb_at_hand_change", "A change that all copies for a cut have seen", value=at_hand.change
            )
            yield CounterMetricFamily(
                "kb_at_hand_copies",
                "Times that people and sessions were copied for a cut",
                value=at_hand.copied,
            )
        jobs = GaugeMetricFamily("kb_jobs", "Pieces of long work under way or waiting", labels=("state",))
        for state in ("waiting", "running"):
            jobs.add_metric((state,), sum(job.state == state for job in self._shop.jobs.all()))
        yield jobs


class Observer:
    """Gives each request an id, times it, counts it and logs one line when it has been answered."""

    def __init__(self, app: ASGIApp, *, figures: Figures) -> None:
        self._app = app
        self._figures = figures

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = scope[REQUEST_ID] = secrets.token_hex(8)
        token = _current.set(request)
        begun = time.perf_counter()
        status = 500  # what is answered where nothing inside could

        async def send_marked(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                MutableHeaders(scope=message)["X-Request-Id"] = request
            await send(message)

        try:
            await self._app(scope, receive, send_marked)
        finally:
            _current.reset(token)
            self._note(scope, status, time.perf_counter() - begun)

    def _note(self, scope: Scope, status: int, seconds: float) -> None:
        route, method = _route(scope), _method(scope)
        self._figures.requests.labels(method, route, str(status)).inc()
        self._figures.seconds.labels(route).observe(seconds)
        log.info(
            "%s %s %d in %.0f ms",
            method,
            route,
            status,
            seconds * 1000,
            extra={
                "request": scope[REQUEST_ID],
                "method": method,
                "route": route,
                "status": status,
                "ms": round(seconds * 1000, 1),
                "person": scope.get("state", {}).get("person", ""),
            },
        )


def _method(scope: Scope) -> str:
    known = ("GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "PATCH")
    return scope["method"] if scope["method"] in known else "other"


def _route(scope: Scope) -> str:
    """The pattern of the address: what people asked for stays out of it, and so does what anybody makes up."""
    path = getattr(scope.get("route"), "path", None)
    if path:
        return str(path)
    return "/static" if scope["path"].startswith("/static/") else "none"
