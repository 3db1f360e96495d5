"""What one process counts of itself, in a registry of its own, so that two applications in a process stay apart."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Final, Literal

from prometheus_client import CollectorRegistry, Counter, Histogram, ProcessCollector, generate_latest
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

Name = Literal["entries", "readings", "notices", "attempts"]
PREFIX: Final = "spindle_ledger"
_SECONDS: Final = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)


class Metrics:
    """Counters of requests and of what was committed; gauges are read when they are asked for."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        ProcessCollector(registry=self.registry)

        def counter(name: str, text: str, *labels: str) -> Counter:
            return Counter(f"{PREFIX}_{name}", text, labels, registry=self.registry)

        self._requests = counter("http_requests", "Requests answered", "method", "route", "status")
        self._seconds = Histogram(
            f"{PREFIX}_http_request_seconds",
            "From a request's first byte to its answer's last",
            ("method", "route"),
            buckets=_SECONDS,
            registry=self.registry,
        )
        self._counters: dict[Name, Counter] = {
            "entries": counter("entries", "Entries appended to the ledger, by type; plain readings as reading", "type"),
            "readings": counter("bulk_readings", "Readings sent in bulk, by what became of them", "status"),
            "notices": counter("notices", "Notices put into the outbox", "type"),
            "attempts": counter("delivery_attempts", "Attempts at a delivery, by what they left it as", "state"),
        }

    def request(self, method: str, route: str, status: int, seconds: float) -> None:
        self._requests.labels(method, route, str(status)).inc()
        self._seconds.labels(method, route).observe(seconds)

    def add(self, name: Name, label: str, number: int = 1) -> None:
        self._counters[name].labels(label).inc(number)

    def exposition(self, gauges: Sequence["Gauge"]) -> bytes:
        """Everything in the text format of Prometheus, version 0.0.4 or as the library's newest is."""
        whole = CollectorRegistry()
        whole.register(_Whole(self.registry, gauges))
        return generate_latest(whole)


class Gauge:
    """A value that was looked up, or one for each label."""

    def __init__(self, name: str, text: str, value: float | Mapping[str, float], label: str = "") -> None:
        self.family = GaugeMetricFamily(f"{PREFIX}_{name}", text, labels=[label] if label else None)
        for key, each in (value if isinstance(value, Mapping) else {"": value}).items():
            self.family.add_metric([key] if label else [], each)


class _Whole(Collector):
    def __init__(self, registry: CollectorRegistry, gauges: Sequence[Gauge]) -> None:
        self._registry, self._gauges = registry, gauges

    def collect(self) -> Iterator[Metric]:
        yield from self._registry.collect()
        for gauge in self._gauges:
            yield gauge.family
