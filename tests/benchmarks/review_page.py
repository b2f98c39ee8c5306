"""How fast the review page of a long take is on a slow machine, as a table.

    python -m tests.benchmarks.review_page            # 3 minutes, 400 movements, the processor throttled 4 times

A take of three minutes with 400 movements is made and served; a Chromium throttled like a mid-range phone opens it.
`list usable`: a movement can be chosen; `interactive`: the timeline is drawn and answers as well. Both are counted
from the first byte of the page, as the median of several loads with a warm cache, since the server is not what is
measured. `choose`: from the press to the movement marked in all views. `frames`: how often a second the page is drawn
while the take plays.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from statistics import median
from typing import Any, Final

from tests.browser.chromium import start_browser
from tests.browser.review_house import filled
from tests.studio.processes import Serving

LIMIT_MS: Final = 1500.0
LEAST_FRAMES: Final = 30.0
_WATCH: Final = """
document.addEventListener('DOMContentLoaded', () => {
  const review = document.querySelector('#review');
  if (!review) return;
  const begin = performance.getEntriesByType('navigation')[0].responseStart;
  window.measured = {};
  new MutationObserver(() => {
    if (review.dataset.usable !== undefined) measured.usable ??= performance.now() - begin;
    if (review.dataset.ready !== undefined && measured.ready === undefined) {
      measured.ready = performance.now() - begin;
      // Interactive is when the next turn of the main thread comes round.
      setTimeout(() => { measured.interactive = performance.now() - begin; }, 0);
    }
  }).observe(review, { attributes: true });
});
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
_FRAMES: Final = """async (ms) => {
  let frames = 0;
  const begin = performance.now();
  while (performance.now() - begin < ms) {
    await new Promise(requestAnimationFrame);
    frames += 1;
  }
  return (1000 * frames) / (performance.now() - begin);
}"""


def measure(page: Any, address: str, *, loads: int) -> dict[str, float]:
    """The page's times in ms and its frames a second."""
    page.add_init_script(_WATCH)
    page.goto(address)  # fills the cache
    page.wait_for_selector("#review[data-ready]", timeout=60_000)
    found: dict[str, list[float]] = {"list usable": [], "interactive": []}
    for _ in range(loads):
        page.goto("about:blank")
        page.goto(address)
        page.wait_for_function("() => window.measured?.interactive !== undefined", timeout=60_000)
        told = page.evaluate("measured")
        found["list usable"].append(told["usable"])
        found["interactive"].append(told["interactive"])
    page.wait_for_timeout(1500)
    choose = page.evaluate(_CHOOSE)
    page.locator("#movements li > button").first.click()
    page.evaluate("document.querySelector('#play').click()")
    page.wait_for_selector(".player[data-playing=take]")
    page.wait_for_timeout(1000)
    frames = page.evaluate(_FRAMES, 4000)
    return {**{name: median(times) for name, times in found.items()}, "choose": max(choose), "frames": frames}


def main(movements: int, throttle: float, loads: int) -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory(prefix="review-page-") as folder:
        data = Path(folder)
        keys = filled(data, "outside", "populate")
        [take] = filled(data, "review_takes", "long", str(movements))
        with Serving(data=data) as serving, start_browser() as browser:
            for name, viewport, phone in (("desk", (1280, 800), False), ("phone", (390, 844), True)):
                size = {"width": viewport[0], "height": viewport[1]}
                person = browser.person(serving.address, viewport=size, phone=phone)
                session = {"name": "sessionid", "value": keys["tutor"], "url": serving.address}
                person.page.context.add_cookies([session])
                client = person.page.context.new_cdp_session(person.page)
                client.send("Emulation.setCPUThrottlingRate", {"rate": throttle})
                told = measure(person.page, f"{serving.address}/takes/{take}/review/", loads=loads)
                print(
                    f"{name:6} {movements} movements, {throttle:g} times throttled: "
                    f"list usable {told['list usable']:.0f} ms, interactive {told['interactive']:.0f} ms "
                    f"(limit {LIMIT_MS:.0f}), choose {told['choose']:.0f} ms, "
                    f"{told['frames']:.0f} frames a second (at least {LEAST_FRAMES:.0f})"
                )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--movements", type=int, default=400)
    parser.add_argument("--throttle", type=float, default=4.0)
    parser.add_argument("--loads", type=int, default=5)
    chosen = parser.parse_args()
    main(chosen.movements, chosen.throttle, chosen.loads)
