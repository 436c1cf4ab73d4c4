"""What leaves the farm as a file: an archive, all fruit, a map, the card for the photos."""

from __future__ import annotations

from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path

import streamlit as st

from app import files, session
from app.wording import LANGUAGES, language, number, say
from fruitvision import __version__
from fruitvision.accounts import Role
from fruitvision.archive import make_archive
from fruitvision.pipeline.photos import Refused
from fruitvision.settings import Settings
from fruitvision.store import FarmStore
from fruitvision.store.photos import PHOTOS_NAME

# Largest archive that goes through the browser, bytes: all of it is in memory then. Our choice.
MOST_DOWNLOAD_BYTES = 300_000_000
# Longest part of a file's name that is the farm's. Our choice.
_LONGEST_NAME = 40


def take_out_part(store: FarmStore) -> None:
    """A button a file, with what it is good for and who may have it."""
    today = session.today()
    name = Path(files.safe_name(store.farm_name)).stem[:_LONGEST_NAME].strip("_-") or "farm"
    # All photos and all names of people are in it.
    if session.role() in (None, Role.MANAGER):
        _archive(store, f"{name}-{today}.zip")
    _fruit(store, name, today)
    _map(store, name, today)
    _card()


def _archive(store: FarmStore, name: str) -> None:
    st.markdown(say("setup.archive_words"))
    with_photos = st.checkbox(say("setup.archive_photos"), value=True)
    photos = (store.folder / PHOTOS_NAME).glob("*") if with_photos else ()
    size = sum(path.stat().st_size for path in photos)
    folder = session.farm_folder()
    if size > MOST_DOWNLOAD_BYTES:
        st.markdown(say("setup.archive_too_large", size=number(size / 1e6)))
        command = f'fruitvision archive make --farm "{folder}" --out {name}'
    else:
        _button("archive_button", partial(_archive_file, folder, with_photos), name)
        st.caption(say("setup.archive_restore"))
        command = f"fruitvision archive restore {name} --farm NEW"
    st.code(command, language=None, wrap_lines=True)


def _archive_file(folder: Path, with_photos: bool, path: Path) -> None:
    make_archive(
        folder, path, program_version=__version__, made_at=datetime.now(UTC), photos=with_photos
    )


def _fruit(store: FarmStore, name: str, today: date) -> None:
    st.markdown(say("setup.fruit_words"))
    settings = session.settings()
    with st.container(horizontal=True):
        for ending in ("parquet", "csv"):
            write = partial(_fruit_file, store, settings, today)
            _button(f"fruit_{ending}", write, f"{name}-fruit-{today}.{ending}")


def _fruit_file(store: FarmStore, settings: Settings, today: date, path: Path) -> None:
    from fruitvision.export.fruit_table import write_fruit_table
    from fruitvision.pipeline.fruit_rows import fruit_rows

    left_out: list[Refused] = []
    rows = fruit_rows(store, settings, left_out=left_out)
    write_fruit_table(rows, path, farm=store.farm_name, made_on=today)


def _map(store: FarmStore, name: str, today: date) -> None:
    st.markdown(say("setup.map_words"))
    if not store.places_on_the_map():
        st.caption(say("setup.map_none"))
        return
    write = partial(_map_file, store, session.settings(), today)
    _button("map_button", write, f"{name}-{today}.geojson")


def _map_file(store: FarmStore, settings: Settings, today: date, path: Path) -> None:
    from fruitvision.export.geojson import write_geojson
    from fruitvision.pipeline.mapped import mapped_blocks

    blocks, _ = mapped_blocks(store, settings)
    write_geojson(blocks, path, farm=store.farm_name, made_on=today)


def _card() -> None:
    st.markdown(say("setup.card_words"))
    with st.container(horizontal=True):
        for code in sorted(LANGUAGES, key=lambda code: code != language()):
            _button("card_button", partial(_card_file, code), f"card-{code}.pdf", LANGUAGES[code])


def _card_file(code: str, path: Path) -> None:
    from fruitvision.training_card import write_training_card

    write_training_card(path, language=code)


def _button(key: str, write: partial[None], name: str, of_language: str = "") -> None:
    """A download whose file is made when somebody asks for it."""
    st.download_button(
        say(f"setup.{key}", language=of_language),
        partial(files.bytes_of, write, name),
        file_name=name,
        icon=":material/download:",
        on_click="ignore",
    )
