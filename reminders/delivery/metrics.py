"""Counts what a worker sent, reads how the queue stands, and shows both as OpenMetrics; no label names a person."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import fields

from prometheus_client import CollectorRegistry, Counter
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.exposition import choose_encoder
from prometheus_client.registry import Collector

from reminders.delivery.report import DispatchReport
from reminders.records.queue_counts import QueueState


class Metrics:
    """The figures of one process; safe to use from any thread."""

    def __init__(self, read_queue: Callable[[], QueueState]) -> None:
        """Count from nought; `read_queue` is called at every look at the figures and may fail."""
        self._registry = CollectorRegistry()
        self._messages = Counter(
            "reminders_messages",
            "Messages by what became of them at a hand-over, since this process began.",
            ("transport", "outcome"),
            registry=self._registry,
        )
        self._registry.register(_Queue(read_queue))

    def observe(self, transport: str, report: DispatchReport) -> None:
        """Count what was settled in a round; the signature is that of `DispatchRules.observe`."""
        for each in fields(report):
            if count := getattr(report, each.name):
                self._messages.labels(transport=transport, outcome=each.name).inc(count)

    def shown(self, accept: str) -> tuple[bytes, str]:
        """Return the figures in the form that an Accept header asks for, OpenMetrics or older, and its media type."""
        encode, media_type = choose_encoder(accept)
        return encode(self._registry), media_type


class _Queue(Collector):
    """Reads the queue at every look; when the database can't be read, it says so and nothing else."""

    def __init__(self, read: Callable[[], QueueState]) -> None:
        self._read = read

    def describe(self) -> list[GaugeMetricFamily]:
        """Name nothing beforehand: registering must not read the database."""
        return []

    def collect(self) -> Iterator[GaugeMetricFamily]:
        readable = GaugeMetricFamily("reminders_database_up", "Whether the database could be read.")
        try:
            state = self._read()
        except Exception:  # noqa: BLE001  whatever broke, a look at the figures must not fail: this is the figure
            readable.add_metric([], 0)
            yield readable
            return
        readable.add_metric([], 1)
        yield readable
        for name, says, counts in (
            ("reminders_due", "Messages whose moment has come and that still wait.", state.counts.due),
            ("reminders_late", "Those of them that have waited for more than five minutes.", state.counts.late),
        ):
            gauge = GaugeMetricFamily(name, says, labels=("practice", "channel", "transport"))
            for channel, count in counts.items():
                gauge.add_metric([state.practice, channel, state.transports.get(channel, "none")], count)
            yield gauge
        doubt = GaugeMetricFamily(
            "reminders_uncertain", "Messages that may or may not have gone out.", labels=("practice", "transport")
        )
        for transport in dict.fromkeys([*state.transports.values(), *state.counts.uncertain]):
            doubt.add_metric([state.practice, transport], state.counts.uncertain.get(transport, 0))
        yield doubt
        if state.last_beat is not None:
            beat = GaugeMetricFamily(
                "reminders_heartbeat_seconds", "When any worker last went round, in Unix time.", labels=("practice",)
            )
            beat.add_metric([state.practice], state.last_beat.timestamp())
            yield beat
