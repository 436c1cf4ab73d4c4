"""Which tree and which of its photos are looked at; kept in the page's address."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

import streamlit as st

from app import session
from app.wording import day, say
from fruitvision.domain import Block, TreeId, TreePhoto
from fruitvision.errors import FruitVisionError
from fruitvision.store import FarmStore

# Beside it in the address of the page, so that a bookmark shows the same tree.
BLOCK, TREE, PHOTO = "block", "tree", "photo"
_LOOKED_AT = "looked at"
# What was measured last and is shown already.
_SHOWN = "shown after measuring"
# So much of a photo's id stands in the address. Our choice: enough to tell a farm's photos apart.
_ID_SIGNS = 12
# Our choice: two beside each other on a phone.
THUMBNAIL_PX = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class LookedAt:
    """Block, `row.position` of the tree, and the start of the photo's id; empty if not chosen."""

    block: str = ""
    tree: str = ""
    photo: str = ""


def look_at(*, block: str, tree: TreeId | None = None, photo_id: str = "") -> None:
    """Look at this from now on: in the next run of the page, and when somebody comes back to it.

    The address is written only where somebody chose something else than before: each writing is a
    step of the browser's way back.
    """
    before = st.session_state.get(_LOOKED_AT)
    now = LookedAt(
        block=block,
        tree="" if tree is None else f"{tree.row}.{tree.position}",
        photo=photo_id[:_ID_SIGNS],
    )
    st.session_state[_LOOKED_AT] = now
    if before not in (None, now):
        st.query_params.update({BLOCK: now.block, TREE: now.tree, PHOTO: now.photo})


def start_with_block(store: FarmStore, blocks: Sequence[Block]) -> None:
    """Every box of the page starts with the block that is looked at."""
    start = _start(store, [block.block_id for block in blocks], frozenset())
    if start.block:
        session.remember_block(start.block)


def choose_photo(
    store: FarmStore, blocks: Sequence[Block], just_measured: frozenset[str]
) -> TreePhoto | None:
    """Boxes for block and tree, then the tree's photos to choose one of; None without photos."""
    names = [block.block_id for block in blocks]
    looked_at = _start(store, names, just_measured)
    left, right = st.columns(2)
    start = names.index(looked_at.block) if looked_at.block in names else 0
    name = left.selectbox(say("review.block"), names, index=start)
    session.remember_block(name)
    photos = store.tree_photos(name)
    trees = sorted({photo.tree for photo in photos})
    if not trees:
        st.write(say("review.no_photos"))
        return None
    known = [f"{tree.row}.{tree.position}" for tree in trees]
    at = known.index(looked_at.tree) if name == looked_at.block and looked_at.tree in known else 0
    tree = right.selectbox(say("review.tree_box"), trees, index=at, format_func=tree_words)
    of_tree = [photo for photo in photos if photo.tree == tree]
    of_tree.sort(key=lambda one: (-one.walked_on.toordinal(), one.face, one.place))
    photo = next(
        (one for one in of_tree if looked_at.photo and one.photo_id.startswith(looked_at.photo)),
        of_tree[0],
    )
    look_at(block=name, tree=tree, photo_id=photo.photo_id)
    with st.container(horizontal=True, vertical_alignment="bottom", key="thumbnails"):
        _thumbnails(of_tree, photo)
        _neighbours(trees, trees.index(tree))
    return photo


def _start(store: FarmStore, names: Sequence[str], just_measured: frozenset[str]) -> LookedAt:
    """What was measured just now, once; else what the address says; else what was looked at, or
    the block that was chosen since on another page; else the first block with photos."""
    if just_measured and just_measured != st.session_state.get(_SHOWN):
        st.session_state[_SHOWN] = just_measured
        placed = (one for one in store.tree_photos() if one.photo_id in just_measured)
        new = min(placed, key=lambda one: (one.tree, one.face), default=None)
        if new is not None:
            look_at(block=new.tree.block_id, tree=new.tree, photo_id=new.photo_id)
            return _remembered()
    address = {name: st.query_params.get(name, "") for name in (BLOCK, TREE, PHOTO)}
    if address[BLOCK] in names:
        return LookedAt(**address)
    known, last = _remembered(), session.last_block()
    if known.block in names and last in ("", known.block):
        return known
    order = [last, *names] if last in names else names
    return LookedAt(block=next((name for name in order if store.tree_photos(name)), ""))


def _remembered() -> LookedAt:
    known: LookedAt = st.session_state.get(_LOOKED_AT, LookedAt())
    return known


def tree_words(tree: TreeId) -> str:
    """`Row 2, tree 14`."""
    return say("review.tree", row=tree.row, position=tree.position)


def photo_words(photo: TreePhoto) -> str:
    """`Face A, 12 Aug 2026`, and the place where a face was photographed from several."""
    face = say("review.face", face=photo.face, day=day(photo.walked_on))
    return f"{face} ({photo.place})" if photo.place > 1 else face


def _neighbours(trees: Sequence[TreeId], at: int) -> None:
    """Buttons to the tree before and after."""
    for step, name, icon in ((-1, "before", "arrow_back"), (1, "after", "arrow_forward")):
        there = 0 <= at + step < len(trees)
        tree = trees[at + step] if there else trees[at]
        st.button(
            tree_words(tree) if there else say(f"review.none_{name}"),
            key=f"tree {name}",
            icon=f":material/{icon}:",
            disabled=not there,
            on_click=look_at,
            kwargs={"block": tree.block_id, "tree": tree},
        )


def _thumbnails(photos: Sequence[TreePhoto], chosen: TreePhoto) -> None:
    for photo in photos:
        with st.container(width=THUMBNAIL_PX):
            # Without its file a photo is told by its name; the picture below says what is wrong.
            with suppress(FruitVisionError):
                picture = session.thumbnail(photo.photo_id)
                st.image(picture, width=THUMBNAIL_PX, alt=photo_words(photo))
            st.button(
                photo_words(photo),
                key=f"look at {photo.photo_id}",
                type="primary" if photo == chosen else "secondary",
                width="stretch",
                on_click=look_at,
                kwargs={
                    "block": photo.tree.block_id,
                    "tree": photo.tree,
                    "photo_id": photo.photo_id,
                },
            )
