"""What the first page of a site of many loops costs, and a year of trend beside the bare rows in the same run.

    .venv/bin/python -P tests/bench/pages.py [LOOPS] [DAYS] [FOLDER]

FOLDER keeps the filled history for the next time.

Prints bytes on the wire, processor time and time of the server, and processor time and time of a browser on this machine
until the page is painted and usable, for the pages that show many loops; then the year trend beside bare SQL that reads the same
numbers out of plain columns. Ratios are what counts; seconds depend on the machine and on what else it does (the load is printed).
"""

from __future__ import annotations

import os
import pickle
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

import httpx
from playwright.sync_api import Browser, sync_playwright

from checks.evaluation import Evaluation
from collector.alerts.book import AlertBook
from collector.clock import SystemClock
from collector.history import trend_rows
from collector.history.sqlite import SqliteStore, open_store
from collector.live import LiveState
from collector.web.app import create_app
from tests.bench.wide_site import Wide, fill, wide_site
from tests.browser.conftest import ARGUMENTS, CHROMIUM
from tests.browser.served import served

ROUNDS = 5
MOST_BYTES = 150_000
MOST_USABLE_S = 1.0
MOST_POINTS = 2000
YEAR_D = 366


def median_ms(work: Callable[[], object], clock: Callable[[], float] = time.perf_counter) -> float:
    """Median of some rounds behind one that warms up, by a clock [ms]."""
    work()
    took = []
    for _ in range(ROUNDS):
        begin = clock()
        work()
        took.append(1000.0 * (clock() - begin))
    return statistics.median(took)


def wire_bytes(client: httpx.Client, address: str) -> int:
    """Bytes of an answer as they come over the wire, compressed where the server does so."""
    with client.stream("GET", address, headers={"Accept-Encoding": "gzip"}) as answer:
        answer.raise_for_status()
        return sum(len(part) for part in answer.iter_raw())


USABLE = """() => {
  const paint = performance.getEntriesByName("first-contentful-paint")[0];
  const loaded = performance.getEntriesByType("navigation")[0];
  return { painted: paint ? paint.startTime : null, usable: loaded.domContentLoadedEventEnd };
}"""
"""First paint, and the end of the scripts that make the page usable, from the begin of the navigation [ms]."""


def in_browser(browser: Browser, address: str) -> tuple[int, float, float]:
    """Bytes of everything a first visit loads, processor time of the page and when it is usable [ms].

    Medians of new visits with empty caches.
    """
    sizes, busy, usable = [], [], []
    for _ in range(ROUNDS):
        context = browser.new_context(viewport={"width": 1280, "height": 800}, bypass_csp=True)
        page = context.new_page()
        session = context.new_cdp_session(page)
        session.send("Network.enable")
        session.send("Performance.enable")
        loaded: list[float] = []
        session.on("Network.loadingFinished", lambda event, loaded=loaded: loaded.append(event["encodedDataLength"]))
        page.goto(address)
        page.wait_for_function("performance.getEntriesByName('first-contentful-paint').length > 0")
        found = page.evaluate(USABLE)
        sizes.append(int(sum(loaded)))
        metrics = {item["name"]: item["value"] for item in session.send("Performance.getMetrics")["metrics"]}
        busy.append(1000.0 * metrics["TaskDuration"])
        usable.append(max(found["usable"], found["painted"]))
        context.close()
    return int(statistics.median(sizes)), statistics.median(busy), statistics.median(usable)


def bare_table(store: SqliteStore, loop: str, role: str, begin: int, end: int) -> sqlite3.Connection:
    """The hours that the trend of a role is drawn from in a plain table with a column for each number."""
    connection = sqlite3.connect(store.layout.root / "bare.db")
    connection.execute("DROP TABLE IF EXISTS hours")
    connection.execute(
        "CREATE TABLE hours(loop TEXT, role TEXT, start_s INTEGER, n REAL, low REAL, mean REAL, high REAL,"
        " PRIMARY KEY(loop, role, start_s)) WITHOUT ROWID"
    )
    with store.state.transaction() as rows:
        for columns in trend_rows.read(rows, loop, role, begin, end):
            numbers = zip(*(column.tolist() for column in columns), strict=True)
            connection.executemany("INSERT INTO hours VALUES (?, ?, ?, ?, ?, ?, ?)", ((loop, role, *row) for row in numbers))
    connection.commit()
    return connection


def bare_rows(connection: sqlite3.Connection, loop: str, role: str, begin: int, end: int) -> int:
    """Read the numbers of a role and nothing else; how many hours there are."""
    wanted = "SELECT start_s, n, low, mean, high FROM hours WHERE loop = ? AND role = ? AND start_s >= ? AND start_s < ? ORDER BY start_s"
    return len(connection.execute(wanted, (loop, role, begin, end)).fetchall())


def main() -> None:
    loops = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    days = int(sys.argv[2]) if len(sys.argv) > 2 else YEAR_D
    with tempfile.TemporaryDirectory() as made:
        folder = Path(sys.argv[3] if len(sys.argv) > 3 else made)
        kept = folder / "wide.pickle"
        old: Wide | None = pickle.loads(kept.read_bytes()) if kept.exists() else None
        end = int(time.time())
        site = wide_site(loops, now=end) if old is None else old.site
        store = open_store(folder, site, clock=SystemClock())
        if old is None:
            print(f"filling {loops} loops x {days} days", flush=True)
        wide = old or fill(store, site, days, end=end)
        kept.write_bytes(pickle.dumps(wide))
        live = LiveState(site=site, site_sha256="5d1f0c2a9b7e", started=time.time() - 3600)
        for loop, evaluation in wide.evaluations.items():
            live.take_evaluation(_now(evaluation))
            live.standing[loop] = tuple(change.episode.finding for change in wide.changes[loop])
        app = create_app(live, store, AlertBook(store.state, ()), SystemClock())
        with served(app) as base, sync_playwright() as playwright, httpx.Client(base_url=base, timeout=60) as client:
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
            print(f"{len(wide.faulty)} loops with an alert; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
            print(f"{'page':24}{'bytes':>10}{'server':>10}{'its CPU':>10}{'all bytes':>11}{'page CPU':>10}{'usable':>10}")
            for name in ("/", "/?find=TB-499", "/alerts", "/tags", "/causes", "/totals", "/uptime", f"/loops/{wide.faulty[0]}"):
                try:
                    _page(client, browser, base, name, live)
                except httpx.HTTPStatusError as error:
                    print(f"{name:24} {error.response.status_code}")
            loop = next(iter(site.loops))
            _year(client, browser, base, loop, store)
            browser.close()
        store.close()


def _now(evaluation: Evaluation) -> Evaluation:
    return replace(evaluation, time_s=int(time.time()) - 2)


def _page(client: httpx.Client, browser: Browser, base: str, name: str, live: LiveState) -> None:
    _freshen(live)
    size = wire_bytes(client, name)
    server = median_ms(lambda: client.get(name).raise_for_status())
    _freshen(live)
    cpu = median_ms(lambda: client.get(name).raise_for_status(), time.process_time)
    everything, busy, usable = in_browser(browser, base + name)
    print(f"{name:24}{size:10,}{server:8.0f}ms{cpu:8.0f}ms{everything:11,}{busy:8.0f}ms{usable:8.0f}ms", flush=True)
    if name == "/":
        print(
            f"{'':24}{everything / MOST_BYTES:.2f} of {MOST_BYTES:,} bytes, {usable / 1000.0 / MOST_USABLE_S:.2f} of {MOST_USABLE_S:g} s"
        )


def _freshen(live: LiveState) -> None:
    for loop, evaluation in list(live.evaluations.items()):
        live.evaluations[loop] = _now(evaluation)


def _year(client: httpx.Client, browser: Browser, base: str, loop: str, store: SqliteStore) -> None:
    address = f"/loops/{loop}/trend?span=1y"
    now = int(time.time())
    begin = now - YEAR_D * 86400
    rest = f"/api/v1/loops/{loop}/trend?role=flow&from={begin}&points={MOST_POINTS}"
    plain = bare_table(store, loop, "flow", begin, now)
    rows = bare_rows(plain, loop, "flow", begin, now)
    bare = median_ms(lambda: bare_rows(plain, loop, "flow", begin, now), time.process_time)
    drawn = median_ms(lambda: store.trend(loop, "flow", begin, now), time.process_time)
    plain.close()
    points = len(client.get(rest).json()["time"])
    one = median_ms(lambda: client.get(rest).raise_for_status(), time.process_time)
    page = median_ms(lambda: client.get(address).raise_for_status(), time.process_time)
    took = median_ms(lambda: client.get(address).raise_for_status())
    everything, busy, usable = in_browser(browser, base + address)
    print(f"year of {loop}: {rows} rows by the hour, {points} points (at most {MOST_POINTS})")
    print(
        f"  processor time: bare SQL of one role {bare:.1f} ms; its trend {drawn:.1f} ms = {drawn / bare:.2f}x;"
        f" over REST {one:.0f} ms = {one / bare:.1f}x; page of two roles {page:.0f} ms"
    )
    print(
        f"  browser: {everything:,} bytes, {busy:.0f} ms of its processor, usable after {usable:.0f} ms (server {took:.0f} ms)"
    )


if __name__ == "__main__":
    main()
