"""How fast the review page of a long take is on a slow machine, as a table.

    python -m tests.benchmarks.review_page            # 3 minutes, 400 movements, the processor throttled 4 times

A take of three minutes with 400 movements is made and served; a Chromium throttled like a mid-range phone opens it.
`list usable`: a movement can be chosen; `interactive`: the timeline is drawn and answers as well. Both are counted
from the first byte of the page, since the server is not what is measured; `first visit` with nothing kept, the others
as the median of several loads with what a browser keeps of the visits before. `processor`: what the page's thread
itself took of that, which other work on the machine hardly changes. `choose`: from the press to the movement marked in
all views. `frames`: how often a second the page is drawn while the take plays. `sent`: the page and its timeline over
the line.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from statistics import median
from typing import Any, Final

from playwright.sync_api import sync_playwright

from tests.browser.chromium import ARGUMENTS, CHROMIUM
from tests.browser.review_house import filled
from tests.studio.processes import Serving

LIMIT_MS: Final = 1500.0
LEAST_FRAMES: Final = 30.0
_WATCH: Final = """
window.measured = {};
new MutationObserver(() => {
  const { usable, ready } = document.querySelector('#review')?.dataset ?? {};
  const begin = performance.getEntriesByType('navigation')[0].responseStart;
  if (usable !== undefined) measured.usable ??= performance.now() - begin;
  if (ready !== undefined && measured.ready === undefined) {
    measured.ready = performance.now() - begin;
    // Interactive is when the next turn of the main thread comes round.
    setTimeout(() => { measured.interactive = performance.now() - begin; }, 0);
  }
}).observe(document, { attributes: true, subtree: true, attributeFilter: ['data-usable', 'data-ready'] });
"""
_CHOOSE: Final = """async () => {
  const times = [];
  const rows = [...document.querySelectorAll('#movements li > button')];
  for (const number of [20, 150, 390]) {
    const begin = performance.now();
    rows[number].click();
    await new Promise((go) => requestAnimationFrame(() => setTimeout(go, 0)));
    times.push(performance.now() - begin);
    await new Promise((go) => setTimeout(go, 800));
  }
  return times;
}"""
_SENT: Final = r"""() => ['navigation', 'resource'].flatMap((kind) => performance.getEntriesByType(kind))
  .filter((entry) => /\/review\/$|timeline\.json$/.test(new URL(entry.name).pathname))
  .reduce((sum, entry) => sum + entry.encodedBodySize, 0) / 1000"""
_FRAMES: Final = """async (ms) => {
  let frames = 0;
  const begin = performance.now();
  while (performance.now() - begin < ms) {
    await new Promise(requestAnimationFrame);
    frames += 1;
  }
  return (1000 * frames) / (performance.now() - begin);
}"""


def visit(page: Any, address: str) -> dict[str, float]:
    """One load of the page: its times in ms."""
    page.goto("about:blank")
    client = page.context.new_cdp_session(page)
    client.send("Performance.enable", {"timeDomain": "threadTicks"})
    before = _task_ms(client)
    page.goto(address)
    page.wait_for_function("() => window.measured?.interactive !== undefined", timeout=120_000)
    took = _task_ms(client)
    client.detach()
    told = page.evaluate("measured")
    page.wait_for_timeout(2500)  # a browser keeps compiled scripts once a page has settled
    # A page of another site may get a process, and with it a thread, of its own.
    processor = took - before if took >= before else took
    return {"list usable": told["usable"], "interactive": told["interactive"], "processor": processor}


def _task_ms(client: Any) -> float:
    metrics = client.send("Performance.getMetrics")["metrics"]
    return 1000 * next(metric["value"] for metric in metrics if metric["name"] == "TaskDuration")


def measure(page: Any, address: str, *, loads: int) -> dict[str, float]:
    """The page's times in ms, its frames a second and the kB that it is sent in."""
    page.add_init_script(_WATCH)
    first = visit(page, address)
    sent = page.evaluate(_SENT)
    for _ in range(2):
        visit(page, address)  # scripts are kept compiled from the third visit on
    visits = [visit(page, address) for _ in range(loads)]
    choose = page.evaluate(_CHOOSE)
    page.locator("#movements li > button").first.click()
    page.evaluate("document.querySelector('#play').click()")
    page.wait_for_selector(".player[data-playing=take]")
    page.wait_for_timeout(1000)
    frames = page.evaluate(_FRAMES, 4000)
    found = {name: median(told[name] for told in visits) for name in first}
    return {**found, "first visit": first["interactive"], "choose": max(choose), "frames": frames, "sent": sent}


def main(movements: int, throttle: float, loads: int) -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory(prefix="review-page-") as folder:
        data = Path(folder, "data")
        data.mkdir()
        keys = filled(data, "outside", "populate")
        [take] = filled(data, "review_takes", "long", str(movements))
        with Serving(data=data) as serving, sync_playwright() as playwright:
            for name, viewport, phone in (("desk", (1280, 800), False), ("phone", (390, 844), True)):
                # With a profile on the disk: a private window keeps no compiled scripts.
                context = playwright.chromium.launch_persistent_context(
                    str(Path(folder, name)),
                    executable_path=str(CHROMIUM),
                    args=ARGUMENTS,
                    viewport={"width": viewport[0], "height": viewport[1]},
                    is_mobile=phone,
                    has_touch=phone,
                    locale="en-GB",
                )
                context.add_cookies([{"name": "sessionid", "value": keys["tutor"], "url": serving.address}])
                page = context.new_page()
                client = context.new_cdp_session(page)
                client.send("Emulation.setCPUThrottlingRate", {"rate": throttle})
                told = measure(page, f"{serving.address}/takes/{take}/review/", loads=loads)
                context.close()
                print(
                    f"{name:6} {movements} movements, {throttle:g} times throttled: "
                    f"list usable {told['list usable']:.0f} ms, interactive {told['interactive']:.0f} ms "
                    f"(limit {LIMIT_MS:.0f}; processor {told['processor']:.0f} ms; first visit "
                    f"{told['first visit']:.0f} ms), choose {told['choose']:.0f} ms, "
                    f"{told['frames']:.0f} frames a second (at least {LEAST_FRAMES:.0f}), sent {told['sent']:.0f} kB"
                )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--movements", type=int, default=400)
    parser.add_argument("--throttle", type=float, default=4.0)
    parser.add_argument("--loads", type=int, default=5)
    chosen = parser.parse_args()
    main(chosen.movements, chosen.throttle, chosen.loads)
