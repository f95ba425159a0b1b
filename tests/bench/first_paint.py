"""How soon the list of tanks and the page of a tank are painted, and how much they weigh.

A real server with invented tanks and days of readings, a real browser on loopback. For each page:
milliseconds from the request to the first contentful paint (W3C Paint Timing), as the median and
the slowest of some visits with an empty cache; the service's part of it, and the processor time of
that part, which other load does not lengthen much; bytes as sent and as unpacked, of the page and
everything that it loads. Prints one JSON line a page.

    python -m tests.bench.first_paint [--visits 9] [--days 8]
"""

from __future__ import annotations

import argparse
import json
import shutil
import statistics
import tempfile
import time
from pathlib import Path
from typing import Any, Final

import requests
from playwright.sync_api import Browser, expect, sync_playwright

from tests.pages.served import fill, serve

PAGES: Final = {"list": "/", "tank": "/tanks/emberpane"}
WIDTHS: Final = {"phone": 360, "screen": 1280}
TIMES: Final = """() => {
  const [paint] = performance.getEntriesByName("first-contentful-paint");
  if (!paint) return null;
  const [page] = performance.getEntriesByType("navigation");
  const all = [page, ...performance.getEntriesByType("resource")];
  const sum = (name) => all.reduce((total, one) => total + one[name], 0);
  return {
    paint_ms: paint.startTime, service_ms: page.responseStart - page.requestStart,
    sent: sum("transferSize"), unpacked: sum("decodedBodySize"), requests: all.length,
  };
}"""


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--visits", type=int, default=9)
    parser.add_argument("--days", type=int, default=8, help="of readings")
    options = parser.parse_args()
    chromium = shutil.which("chromium")
    assert chromium, "no chromium on the PATH"
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        served = serve(Path(folder))
        browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        try:
            fill(served, options.days)
            for name, path in PAGES.items():
                for device, width in WIDTHS.items():
                    visits = [
                        _visit(browser, served.url + path, width) for _ in range(options.visits + 1)
                    ][1:]  # the first one also warms the service
                    found = {"page": name, "device": device, **_summary(visits)}
                    found["processor_ms"] = round(_processor_ms(served.url + path))
                    print(json.dumps(found), flush=True)
        finally:
            browser.close()
            served.stop()


def _visit(browser: Browser, url: str, width: int) -> dict[str, Any]:
    context = browser.new_context(viewport={"width": width, "height": 800})
    try:
        page = context.new_page()
        page.goto(url, wait_until="load")
        expect(page.locator("body:not(:has(.chart[aria-busy]))")).to_have_count(1)
        while True:  # the paint is reported some frames after it was made
            found: dict[str, Any] | None = page.evaluate(TIMES)
            if found is not None:
                return found
            page.wait_for_timeout(20)
    finally:
        context.close()


def _processor_ms(url: str) -> float:
    """Processor time of service and client together for the page alone, milliseconds."""
    took = []
    for _ in range(5):
        before = time.process_time()
        requests.get(url, timeout=60).raise_for_status()
        took.append(1000 * (time.process_time() - before))
    return statistics.median(took)


def _summary(visits: list[dict[str, Any]]) -> dict[str, Any]:
    paints = [one["paint_ms"] for one in visits]
    return {
        "first_paint_ms": round(statistics.median(paints)),
        "slowest_ms": round(max(paints)),
        "service_ms": round(statistics.median(one["service_ms"] for one in visits)),
        "sent_bytes": max(one["sent"] for one in visits),
        "unpacked_bytes": max(one["unpacked"] for one in visits),
        "requests": visits[-1]["requests"],
    }


if __name__ == "__main__":
    main()
