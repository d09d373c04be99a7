"""Values by subscription, with our own proof that they are alive.

A data-change subscription is silent while a value does not change, and may also be silent because the server has dropped it.
Three clocks tell the two apart: the time of the last publish (kept going by keep-alives), which must not be older than three
keep-alive intervals; the age of each item, which is read once when it was silent for ten periods; and the state that the
server reports for the subscription.
"""

from __future__ import annotations

import asyncio
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from asyncua import ua
from asyncua.common.subscription import DataChangeEvent, StatusChangeEvent, Subscription
from asyncua.ua.uaerrors import UaError, UaStatusCodeError

from collector.clock import Clock
from collector.sources.failure import Kind, LinkError
from collector.sources.opcua import OpcUaLink
from collector.sources.opcua_values import NodeValue, plain, quality_of

KEEP_ALIVE_COUNT = 10
LIFETIME_COUNT = 60
MOST_PER_PUBLISH = 2000
QUEUE = 16
"""Values of one item that are kept between two polls; the oldest go first."""
CHUNK = 500
DEAD_AFTER_KEEP_ALIVES = 3.0
LEAST_DEAD_S = 5.0
SILENT_PERIODS = 10.0
LEAST_SILENT_S = 5.0

Arrived = tuple[NodeValue, float]
"""A value with the time it arrived [epoch s]."""


@dataclass(slots=True)
class _Watched:
    """One node: what came since the last poll, the last value, and when it was last heard of [monotonic s]."""

    period: float
    heard: float
    waiting: deque[Arrived] = field(default_factory=lambda: deque(maxlen=QUEUE))
    last: NodeValue | None = None


class Feed:
    """The subscriptions of one session, one for each period."""

    def __init__(self, link: OpcUaLink, clock: Clock) -> None:
        self._link, self._clock = link, clock
        self._watched: dict[ua.NodeId, _Watched] = {}
        self._subscriptions: list[tuple[Subscription, float]] = []
        self._pumps: list[asyncio.Task[None]] = []
        self._ended = ""

    async def add(self, period: float, nodes: Sequence[ua.NodeId]) -> None:
        """Subscribe to nodes at a period [s]; LinkError where the server takes no subscription.

        A node that the server refuses is read instead, each time it is asked for.
        """
        fresh = [node for node in dict.fromkeys(nodes) if node not in self._watched]
        if not fresh:
            return
        params = ua.CreateSubscriptionParameters()
        params.RequestedPublishingInterval = 1000.0 * period
        params.RequestedMaxKeepAliveCount = KEEP_ALIVE_COUNT
        params.RequestedLifetimeCount = LIFETIME_COUNT
        params.MaxNotificationsPerPublish = MOST_PER_PUBLISH
        params.PublishingEnabled = True
        try:
            client = self._link.client
            subscription = await client.create_subscription(params, queue_maxsize=max(1000, 4 * QUEUE * len(fresh)))
            self._subscriptions.append((subscription, time.monotonic()))
            now = self._clock.monotonic()
            self._watched |= {node: _Watched(period, now) for node in fresh}
            self._pumps.append(asyncio.create_task(self._pump(subscription), name="subscription"))
            for start in range(0, len(fresh), CHUNK):
                part = [client.get_node(node) for node in fresh[start : start + CHUNK]]
                interval = ua.Double(1000.0 * period)
                results = await subscription.subscribe_data_change(iter(part), queuesize=QUEUE, sampling_interval=interval)
                for node, result in zip(part, results, strict=True):
                    if not isinstance(result, int):
                        self._watched[node.nodeid].heard = -1e9
        except UaStatusCodeError as error:
            raise LinkError(Kind.LOST, f"subscription refused: {quality_of(error.code)[1]}", code=error.code) from error
        except (OSError, TimeoutError, UaError) as error:
            raise LinkError(Kind.LOST, "connection lost while subscribing") from error

    def close(self) -> None:
        """Stop taking values; the session that ends takes its subscriptions with it."""
        for pump in self._pumps:
            pump.cancel()

    async def latest(self, nodes: Sequence[ua.NodeId]) -> list[list[Arrived]]:
        """What came for each node since the last call, else its last value as of now; LinkError where the feed is dead."""
        self._check_alive()
        now = self._clock.monotonic()
        silent = [node for node in dict.fromkeys(nodes) if self._is_silent(self._watched[node], now)]
        if silent:
            for node, value in zip(silent, await self._link.read(silent), strict=True):
                watched = self._watched[node]
                watched.heard = max(watched.heard, now) if watched.heard >= 0 else watched.heard
                watched.last = plain(value)
                watched.waiting.append((watched.last, self._clock.now()))
        taken = {node: self._take(self._watched[node]) for node in dict.fromkeys(nodes)}
        return [taken[node] for node in nodes]

    def _take(self, watched: _Watched) -> list[Arrived]:
        arrived = list(watched.waiting)
        watched.waiting.clear()
        if not arrived and watched.last is not None:
            arrived.append((watched.last, self._clock.now()))
        return arrived

    def _is_silent(self, watched: _Watched, now: float) -> bool:
        if watched.last is None and not watched.waiting:
            return True
        return now - watched.heard > max(SILENT_PERIODS * watched.period, LEAST_SILENT_S)

    def _check_alive(self) -> None:
        if self._ended:
            raise LinkError(Kind.LOST, f"subscription ended: {self._ended}")
        for subscription, made in self._subscriptions:
            interval_s = subscription.parameters.RequestedPublishingInterval / 1000.0
            allowed = max(DEAD_AFTER_KEEP_ALIVES * KEEP_ALIVE_COUNT * interval_s, LEAST_DEAD_S)
            if time.monotonic() - (subscription.last_publish_at or made) > allowed:
                raise LinkError(Kind.LOST, "subscription is silent")

    async def _pump(self, subscription: Subscription) -> None:
        async for event in subscription:
            if isinstance(event, StatusChangeEvent):
                self._ended = quality_of(event.notification.Status.value)[1] or "status changed"
            elif isinstance(event, DataChangeEvent):
                watched = self._watched.get(event.node.nodeid)
                if watched is not None:
                    watched.last = plain(event.data.monitored_item.Value)
                    watched.heard = self._clock.monotonic()
                    watched.waiting.append((watched.last, self._clock.now()))
