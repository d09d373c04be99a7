"""The demo for real: 20 healthy minutes on sockets without an alert, then each promised fault with its delay.

    .venv/bin/python -P tests/bench/demo_on_sockets.py

Takes about 75 minutes of wall clock; the delays are printed as a table.
"""

from __future__ import annotations

import sys
import tempfile
import time
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from tests.acceptance.live_demo import LiveDemo, live_demo

HEALTHY_S = 20 * 60
LOOP = "TB-07"
PROMISES = (("zero-counts", 90.0), ("detector-temperature", 90.0), ("upper-range", 1800.0), ("total-time-base", 1800.0))


def causes(demo: LiveDemo, loop: str) -> set[str]:
    return {alert["finding"]["cause"] for alert in demo.alerts() if alert["loop"] == loop}


def is_named(demo: LiveDemo, fault: str) -> bool:
    return fault in causes(demo, LOOP)


def standing(demo: LiveDemo, loop: str) -> bool:
    return any(alert["loop"] == loop and alert["active"] for alert in demo.alerts())


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, live_demo(Path(folder)) as demo:
        print(f"page {demo.page}; {HEALTHY_S / 60:g} healthy minutes")
        end = time.monotonic() + HEALTHY_S
        false = demo.wait("the healthy time is over", lambda: bool(demo.alerts()) or time.monotonic() > end, HEALTHY_S + 30)
        print(f"alerts in {false / 60:.1f} healthy minutes: {len(demo.alerts())}")
        for fault, within in PROMISES:
            demo.switch(fault, "on", LOOP)
            began = time.monotonic()
            first = demo.wait(f"{fault}: any alert", lambda: standing(demo, LOOP), within)
            demo.wait(f"{fault}: named", partial(is_named, demo, fault), within)
            print(f"{fault:24} alerted after {first:6.0f} s, named after {time.monotonic() - began:6.0f} s")
            demo.switch(fault, "off", LOOP)
            demo.wait(f"{fault}: returned", lambda: not standing(demo, LOOP), 3600)


if __name__ == "__main__":
    main()
