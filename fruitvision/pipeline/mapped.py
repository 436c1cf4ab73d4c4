"""The farm's blocks with what stands where, for a map."""

from __future__ import annotations

from fruitvision.export.geojson import MappedBlock
from fruitvision.fruit.detector import DEFAULT_DETECTOR
from fruitvision.pipeline.blocks import estimate_blocks
from fruitvision.pipeline.photos import Refused
from fruitvision.settings import Settings
from fruitvision.store import Store


def mapped_blocks(
    store: Store, settings: Settings, *, detector_name: str = DEFAULT_DETECTOR
) -> tuple[tuple[MappedBlock, ...], tuple[Refused, ...]]:
    """All blocks, and what each lacks for the map; one that can't be estimated has no fruit."""
    walks, _ = estimate_blocks(store, settings, detector_name=detector_name)
    samples = {
        one.estimate.block.block_id: {sample.tree: sample for sample in one.trees} for one in walks
    }
    blocks = tuple(
        MappedBlock(
            block=block,
            register=store.register(block.block_id),
            samples=samples.get(block.block_id, {}),
        )
        for block in store.blocks()
    )
    lacking = tuple(
        Refused(
            name=one.block.block_id,
            what=one.lacks,
            fix="Load a register with latitude_deg and longitude_deg.",
        )
        for one in blocks
        if one.lacks
    )
    return blocks, lacking
