"""How long the app's script takes for each page, in a process as the server's is.

Run as a program of its own, `python -m fruitvision.bench_app.pages 3`, for the farm that
`FRUITVISION_FARM` names, each page shown again so often: it prints its rows as JSON.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from time import perf_counter, process_time

from streamlit.testing.v1 import AppTest

from fruitvision.bench_app.farm import block_name
from fruitvision.bench_app.timing import Row, TimedPages
from fruitvision.domain import HandCount
from fruitvision.errors import FruitVisionError
from fruitvision.records import to_json
from fruitvision.serve import FARM_VARIABLE
from fruitvision.share import shared_folder
from fruitvision.store import FarmStore, open_farm

# The targets: any page, and the first picture of a block, s.
PAGE_S, PICTURE_S = 1.5, 1.0
FIRST_PAGE = "blocks"
# What names a block in the address of a page.
BLOCK_IN_ADDRESS = "block"
# AppTest gives up after so long, s.
TIMEOUT_S = 300


def main() -> None:
    """Time everything for the farm of this process."""
    folder = Path(os.environ[FARM_VARIABLE])
    with open_farm(folder, create=False) as store:
        rows = tuple(_pages(store, int(sys.argv[1])))
    sys.stdout.write(to_json(TimedPages(rows=rows, loaded=tuple(sorted(sys.modules)))))


def page_names() -> tuple[str, ...]:
    """Names of the pages, the first page first."""
    found = (path.stem for path in (shared_folder("app") / "screens").glob("[a-z]*.py"))
    return tuple(sorted(found, key=lambda name: (name != FIRST_PAGE, name)))


# ---------------------------------------------------------------- pages


def _pages(store: FarmStore, again: int) -> Iterator[Row]:
    app = AppTest.from_file(str(shared_folder("app") / "main.py"), default_timeout=TIMEOUT_S)
    yield _timed("what the server loads ahead", _load_ahead, None)
    yield _timed("first page after that", app.run, PAGE_S)
    _refuse_errors(FIRST_PAGE, app)
    for name in page_names():
        app.switch_page(f"screens/{name}.py").run()
        yield from _page(name, app, store, again)
    blocks = [block.block_id for block in store.blocks()]
    for block in (blocks[0], blocks[-1]):
        app.query_params[BLOCK_IN_ADDRESS] = block
        app.switch_page(f"screens/{FIRST_PAGE}.py").run()
        yield from _page(f"{FIRST_PAGE}, {block}", app, store, again)
    yield from _pictures(app, store)


def _page(name: str, app: AppTest, store: FarmStore, again: int) -> Iterator[Row]:
    """Its time after a write, and as it is shown again."""
    count = store.hand_counts(store.blocks()[0].block_id)[0]
    _write(store, count, 1)
    yield _timed(f"{name}: after a write", app.run, PAGE_S)
    _refuse_errors(name, app)
    shown = [_timed(f"{name}: again", app.run, PAGE_S) for _ in range(again)]
    yield sorted(shown, key=lambda row: row.wall_s)[again // 2]
    _write(store, count, 0)


def _write(store: FarmStore, count: HandCount, more: int) -> None:
    store.save_hand_counts([replace(count, fruit_count=count.fruit_count + more)])


def _refuse_errors(name: str, app: AppTest) -> None:
    """A page that broke is fast, and no page."""
    alone = () if app.title else app.error
    said = [*(one.message for one in app.exception), *(one.value for one in alone)]
    if said:
        raise FruitVisionError(
            f"The page {name} broke: {said[0]}", fix="Mend it first: its time says nothing."
        )


def _load_ahead() -> None:
    """As the server does while nobody has asked for a page; who comes earlier waits for it."""
    import_module("app.server").load()


def _timed(what: str, run: Callable[[], object], target_s: float | None) -> Row:
    wall, processor = perf_counter(), process_time()
    run()
    return Row(
        what=what,
        wall_s=perf_counter() - wall,
        processor_s=process_time() - processor,
        target_s=target_s,
    )


# ---------------------------------------------------------------- pictures


def _pictures(app: AppTest, store: FarmStore) -> Iterator[Row]:
    """Pictures of the block whose photos are of a phone's size, nothing of it kept yet."""
    from fruitvision.pipeline.pictures import THUMBNAILS, thumbnail_of

    for kept in (store.folder / THUMBNAILS).glob("*.jpg"):
        kept.unlink()
    large = block_name(1)
    photo_id = store.tree_photos(large)[-1].photo_id
    for what in ("thumbnail of a photo, made", "thumbnail of a photo, kept"):
        yield _timed(what, lambda: thumbnail_of(photo_id, store), PICTURE_S)
    app.query_params[BLOCK_IN_ADDRESS] = large
    page = app.switch_page("screens/photos.py")
    yield _timed(f"first picture of {large}, with its page", page.run, PICTURE_S)
    _refuse_errors("photos", app)


if __name__ == "__main__":
    main()
