"""How long a visitor's browser waits for each page of a large farm. Run by hand.

fruitvision bench app --farm FOLDER          (makes the farm)
python -m tests.bench.bench_app_browser FOLDER

From the click on a page's link until the script has ended, nothing of the page before is left, and
every picture of the page is there; the first page from the moment its address is asked for. After
each page something is written, so that the next one is worked out anew.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from time import perf_counter, sleep

from playwright.sync_api import Page, sync_playwright

from app.wording import texts
from fruitvision.bench_app.timing import Row, table_lines
from fruitvision.store import FarmStore, open_farm
from tests.browser.conftest import CHROMIUM
from tests.browser.serving import served
from tests.browser.visitor import DESKTOP, PAGES, WAIT_MS

PAGE_S = 1.5
# While nobody asks for a page the server loads what pages need; a person takes as long to come.
BEFORE_ANYBODY_COMES_S = 20.0
# A browser that was opened this moment is still busy with itself, s.
BROWSER_IS_OPEN_S = 1.0
# A click is on its way to the app for a moment before anything shows: so long is always waited.
ON_ITS_WAY_MS = 100
# Answered, nothing being drawn, nothing of an earlier run left, every picture there.
PAINTED = """path => {
    const app = document.querySelector('[data-testid=stApp]');
    return app && app.dataset.testScriptState === 'notRunning'
        && app.dataset.testConnectionState === 'CONNECTED'
        && !document.querySelector('[data-stale=true], [data-testid=stSkeleton]')
        && location.pathname === path
        && [...document.images].every(one => one.complete);
}"""


def main(farm: Path) -> int:
    """Print the table; 1 if a target is missed."""
    with open_farm(farm, create=False) as store, served(farm) as server, sync_playwright() as play:
        sleep(BEFORE_ANYBODY_COMES_S)
        browser = play.chromium.launch(
            executable_path=str(CHROMIUM), args=["--no-sandbox", "--disable-dev-shm-usage"]
        )
        page = browser.new_context(**DESKTOP, locale="en-GB").new_page()
        sleep(BROWSER_IS_OPEN_S)
        rows = list(_rows(page, server.address, store))
        browser.close()
    sys.stdout.write("\n".join(table_lines(rows)) + "\n")
    return 0 if all(row.met for row in rows) else 1


def _rows(page: Page, address: str, store: FarmStore) -> Iterator[Row]:
    titles = texts("en", "common")
    yield _timed("first page after a start", page, lambda: page.goto(address), "/")
    count = store.hand_counts(store.blocks()[0].block_id)[0]
    for number, name in enumerate((*PAGES[1:], PAGES[0]), start=1):
        store.save_hand_counts([replace(count, fruit_count=count.fruit_count + number)])
        link = page.locator(".st-key-pages").get_by_role(
            "link", name=str(titles[f"page_{name}"]), exact=True
        )
        path = "/" if name == PAGES[0] else f"/{name}"
        yield _timed(f"{name}: after a write", page, link.click, path)
    store.save_hand_counts([count])


def _timed(what: str, page: Page, go: Callable[[], object], path: str) -> Row:
    begun = perf_counter()
    go()
    page.wait_for_timeout(ON_ITS_WAY_MS)
    page.wait_for_function(PAINTED, arg=path, timeout=WAIT_MS)
    return Row(what=what, wall_s=perf_counter() - begun, processor_s=None, target_s=PAGE_S)


if __name__ == "__main__":
    raise SystemExit(main(Path(sys.argv[1])))
