"""Packs, configs, manifests, checkpoints and curves of a training."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch
from faster_coco_eval.core import mask as coco_masks
from numpy.typing import NDArray
from PIL import Image
from typer.main import get_command

from fruitvision.errors import SettingsError, TrainingError
from fruitvision.evaluate.gaps import missing_areas
from fruitvision.train import __main__ as bare
from fruitvision.train.checkpoint import (
    Checkpoints,
    TrainingState,
    checkpoints_in,
    random_state,
    restore_random,
)
from fruitvision.train.command import train_cli
from fruitvision.train.config import PackChoice, TrainingConfig, read_config
from fruitvision.train.curves import Curves, progress_line
from fruitvision.train.manifest import checked_manifest, read_manifest
from fruitvision.train.pack import BALL, FALLEN_FRUIT, Pack, read_pack
from fruitvision.train.pack_make import PacksMade, make_packs
from fruitvision.train.pack_picture import resized
from fruitvision.train.pack_plan import PackPlan
from fruitvision.train.run_lengths import paint, runs_of_mask

Json = dict[str, Any]
CPU = torch.device("cpu")


def quiet(_: str) -> None:
    pass


# --- small documents -----------------------------------------------------------------------------


def write_photo(folder: Path, name: str, width: int, height: int, grey: int = 90) -> None:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.new("RGB", (width, height), (grey, grey + 20, grey)).save(path, quality=95)


def real_document() -> Json:
    """Two photos of 40 x 30 px with boxes only, one fruit of each cut by the border."""
    images = [
        {
            "id": number,
            "file_name": f"{source}_{number}.jpg",
            "width": 40,
            "height": 30,
            "split": split,
            "source": source,
            "fruit": "pear",
        }
        for number, source, split in ((1, "meadow", "train"), (2, "brook", "val"))
    ]
    annotations = [
        {
            "id": 10 * image + number,
            "image_id": image,
            "category_id": 4,
            "bbox": box,
            "area": 200.0,
            "iscrowd": 0,
            "truncated": number,
            "segmentation": [],
        }
        for image in (1, 2)
        for number, box in enumerate(([9.0, 19.0, 20.0, 10.0], [30.0, 0.0, 10.0, 8.0]))
    ]
    return {
        "images": images,
        "annotations": annotations,
        "categories": [{"id": 4, "name": "pear"}],
    }


def encoded(mask: NDArray[np.bool_]) -> Json:
    found = coco_masks.encode(np.asfortranarray(mask.astype(np.uint8)))
    return {"size": list(mask.shape), "counts": str(found["counts"], "ascii")}


def block(shape: tuple[int, int], left: int, top: int, wide: int, high: int) -> NDArray[np.bool_]:
    mask = np.zeros(shape, dtype=np.bool_)
    mask[top : top + high, left : left + wide] = True
    return mask


# Left, top, width, height; category; visible share; row.
RENDERED_FRUIT = (
    ((10, 20, 20, 20), 1, 0.8, 0),  # an ordinary one
    ((40, 20, 12, 20), 1, 0.1, 0),  # a tenth is seen
    ((60, 20, 6, 6), 1, 0.9, 2),  # 36 px, two rows behind
    ((10, 60, 20, 10), 2, 0.6, 0),  # fallen
    ((40, 60, 20, 20), 3, 1.0, 0),  # a ball
)


def rendered_document() -> Json:
    """One rendered photo of 100 x 90 px; its marker is 50 px wide."""
    shape = (90, 100)
    annotations = []
    for number, (box, category, share, row) in enumerate(RENDERED_FRUIT, start=1):
        left, top, wide, high = box
        annotations.append(
            {
                "id": number,
                "image_id": 7,
                "category_id": category,
                "bbox": list(box),
                "area": wide * high,
                "iscrowd": 0,
                "segmentation": encoded(block(shape, *box)),
                "fv_row_behind": row,
                "fv_visible_share": share,
                "fv_ellipse_px": [left + 9.5, top + 9.5, 24.0, 20.0, 30.0],
            }
        )
    crowd = block(shape, 80, 10, 4, 4) | block(shape, 85, 10, 2, 2) | block(shape, 90, 70, 4, 2)
    annotations.append(
        {
            "id": 99,
            "image_id": 7,
            "category_id": 1,
            "bbox": [80, 10, 14, 62],
            "area": int(crowd.sum()),
            "iscrowd": 1,
            "segmentation": encoded(crowd),
        }
    )
    image = {
        "id": 7,
        "file_name": "wall/photos/a.png",
        "width": 100,
        "height": 90,
        "fv_camera_matrix": [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
        "fv_marker": {
            "id": 7,
            "side_mm": 150.0,
            "corners_px": [[10.0, 10.0], [60.0, 10.0], [60.0, 60.0], [10.0, 60.0]],
        },
    }
    names = ("hanging fruit", "fallen fruit", "ball of known size")
    categories = [{"id": number, "name": name} for number, name in enumerate(names, start=1)]
    return {"images": [image], "annotations": annotations, "categories": categories}


def packed(folder: Path, document: Json, **plan: Any) -> PacksMade:
    """Packs made of a document whose photos lie in the folder; missing ones are made."""
    for image in document["images"]:
        if not (folder / image["file_name"]).exists():
            write_photo(folder, image["file_name"], image["width"], image["height"])
    coco = folder / "coco.json"
    coco.write_text(json.dumps(document))
    wanted = {"coco": coco, "images": folder, "out": folder / "pack", **plan}
    return make_packs(PackPlan(**wanted), quiet, processes=1)


@pytest.fixture
def real_pack(tmp_path: Path) -> Pack:
    return read_pack(packed(tmp_path, real_document(), scale=0.5).folders[0])


def rendered_pack(folder: Path, **plan: Any) -> Pack:
    return read_pack(packed(folder, rendered_document(), **plan).folders[0], verify=True)


# --- masks ---------------------------------------------------------------------------------------


def random_masks() -> list[NDArray[np.bool_]]:
    rng = np.random.default_rng(3)
    shapes = ((1, 1), (5, 7), (40, 3), (300, 200))
    masks = [rng.random(shape) < share for shape in shapes for share in (0.02, 0.5, 0.98)]
    return [*masks, np.ones((9, 4), np.bool_), block((2000, 900), 850, 3, 40, 1990)]


def test_masks_are_read_as_the_library_reads_them() -> None:
    for mask in random_masks():
        painted = np.zeros(mask.shape[::-1], dtype=np.uint16)
        paint(painted, runs_of_mask(encoded(mask)), 5)
        assert np.array_equal(painted.T, 5 * mask)


def test_lengths_as_a_list_are_runs_down_the_columns() -> None:
    # Two rows, three columns: bottom left, top middle and bottom right.
    runs = runs_of_mask({"size": [2, 3], "counts": [1, 2, 2, 1]})
    assert runs.tolist() == [[1, 3], [5, 6]]


def test_a_mask_that_was_cut_short_is_refused() -> None:
    mask = encoded(block((30, 30), 4, 4, 9, 9))
    mask["counts"] = mask["counts"][:-2]
    with pytest.raises(TrainingError, match=r"mask of 30 x 30 px holds \d+ px"):
        runs_of_mask(mask)


# --- labels --------------------------------------------------------------------------------------


def test_boxes_of_people_come_to_pack_size_by_hand_worked_numbers(real_pack: Pack) -> None:
    # Columns 9 to 28 have edges 8.5 and 28.5; half as large (8.5 + 0.5) / 2 - 0.5 = 4 and 14.
    # Rows 19 to 28: 18.5 and 28.5, so 9 and 14. The other: -0.5 stays, 29.5 -> 14.5, 7.5 -> 3.5.
    fruit = real_pack.fruit_of(0)
    assert fruit.box.tolist() == [[4.0, 9.0, 14.0, 14.0], [14.5, -0.5, 19.5, 3.5]]
    assert fruit.ignore.tolist() == [False, True]
    assert fruit.row.tolist() == [0, 0]
    assert fruit.number.tolist() == [0, 0]
    assert np.isnan(fruit.outline).all()
    assert np.isnan(fruit.visible_share).all()


def test_a_photo_with_boxes_only_says_so(real_pack: Pack) -> None:
    picture = real_pack.pictures[0]
    assert (picture.width_px, picture.height_px) == (20, 15)
    assert (picture.source, picture.split, picture.fruit) == ("meadow", "train", "pear")
    assert not picture.has_outlines
    assert not picture.behind_labelled
    assert picture.mm_per_px is None
    assert real_pack.read_instances(0) is None
    assert real_pack.read_picture(0).shape == (15, 20, 3)


def test_rendered_fruit_come_with_all_their_labels(tmp_path: Path) -> None:
    pack = rendered_pack(tmp_path, scale=0.5)
    fruit, picture = pack.fruit_of(0), pack.pictures[0]
    singles = fruit.take(slice(0, 5))
    assert singles.box[0].tolist() == [4.5, 9.5, 14.5, 19.5]
    # The centre 19.5, 29.5 comes to 9.5, 14.5; axes are halved, the direction stays.
    assert singles.outline[0].tolist() == [9.5, 14.5, 12.0, 10.0, 30.0]
    assert singles.visible_share.tolist() == pytest.approx([0.8, 0.1, 0.9, 0.6, 1.0])
    assert singles.row.tolist() == [0, 0, 2, 0, 0]
    assert singles.kind.tolist() == [0, 0, 0, FALLEN_FRUIT, BALL]
    # The second is hardly seen; the third has 9 px left, the fourth 50.
    assert singles.ignore.tolist() == [False, True, True, True, False]
    assert picture.has_outlines
    assert picture.behind_labelled
    assert picture.source == "rendered"


def test_the_parts_of_a_crowd_are_areas_to_ignore(tmp_path: Path) -> None:
    pack = rendered_pack(tmp_path)
    fruit = pack.fruit_of(0)
    parts = fruit.take(slice(5, None))
    # The two that are a pixel apart are one.
    assert sorted(parts.box.tolist()) == [[79.5, 9.5, 86.5, 13.5], [89.5, 69.5, 93.5, 71.5]]
    assert parts.ignore.all()
    assert (parts.row == 1).all()
    assert np.isnan(parts.outline).all()


def test_each_pixel_of_the_instance_map_names_its_fruit(tmp_path: Path) -> None:
    pack = rendered_pack(tmp_path)
    instances, fruit = pack.read_instances(0), pack.fruit_of(0)
    assert instances is not None
    assert instances.dtype == np.uint16
    assert fruit.number.tolist() == list(range(1, 8))
    for (box, *_), number in zip(RENDERED_FRUIT, fruit.number, strict=False):
        assert np.array_equal(instances == number, block((90, 100), *box))
    assert (instances[10:14, 80:84] == instances[10, 85]).all()
    assert set(np.unique(instances)) == set(range(8))


def test_the_instance_map_shrinks_with_the_picture(tmp_path: Path) -> None:
    pack = rendered_pack(tmp_path, scale=0.5)
    instances = pack.read_instances(0)
    assert instances is not None
    assert instances.shape == pack.read_picture(0).shape[:2] == (45, 50)
    assert np.array_equal(instances == 1, block((45, 50), 5, 10, 10, 10))


def test_the_marker_sets_the_size_of_a_picture(tmp_path: Path) -> None:
    # 150 mm over 50 px are 3 mm per px; 6 are wanted, so it is half as large.
    picture = rendered_pack(tmp_path, mm_per_px=6.0).pictures[0]
    assert picture.scale == pytest.approx(0.5)
    assert picture.mm_per_px == pytest.approx(6.0)
    assert (picture.width_px, picture.height_px) == (50, 45)


def test_a_picture_without_a_marker_has_no_size_by_it(tmp_path: Path) -> None:
    document = rendered_document()
    document["images"][0]["fv_marker"] = None
    document["images"] += [{**real_document()["images"][0], "id": 30}]
    with pytest.raises(TrainingError, match="Not one picture"):
        packed(tmp_path, document, mm_per_px=6.0)


@pytest.mark.parametrize("scale", [0.37, 0.7, 1.6])
def test_places_in_a_resized_picture_are_where_the_labels_say(scale: float) -> None:
    image = np.zeros((120, 160, 3), np.uint8)
    image[70:90, 100:130] = 200  # its middle is x 114.5, y 79.5
    small = resized(image, scale)[..., 0].astype(float)
    rows, columns = np.indices(small.shape)
    middle = (columns * small).sum() / small.sum(), (rows * small).sum() / small.sum()
    wanted = (114.5 + 0.5) * scale - 0.5, (79.5 + 0.5) * scale - 0.5
    assert middle == pytest.approx(wanted, abs=0.02)


# --- grey areas ----------------------------------------------------------------------------------


def test_what_no_tile_covers_is_missing_by_hand_worked_numbers() -> None:
    # Three tiles of 640 px in a photo of 1152 x 1152; the bottom right one (from 512) is missing.
    # Of it only what the others leave over is grey: columns and rows 640 to 1151.
    areas = missing_areas([(0, 0), (1, 0), (0, 1)], 1152, 1152)
    assert areas == ((639.5, 639.5, 1151.5, 1151.5),)


def test_missing_areas_are_the_complement_of_the_tiles() -> None:
    tiles = [(0, 0), (3, 0), (1, 1), (2, 2), (4, 2)]
    covered = np.zeros((1664, 2688), dtype=np.int64)
    for column, row in tiles:
        covered[512 * row : 512 * row + 640, 512 * column : 512 * column + 640] = 1
    counts = covered.copy()
    for left, top, right, bottom in missing_areas(tiles, 2688, 1664):
        counts[int(top + 0.5) : int(bottom + 0.5), int(left + 0.5) : int(right + 0.5)] += 1
    assert (counts == 1).all()


def grey_document() -> Json:
    document = real_document()
    document["images"] = [
        {**document["images"][0], "width": 1152, "height": 640, "tiles_present": [[0, 0]]}
    ]
    return document


def test_grey_areas_are_kept_at_pack_size(tmp_path: Path) -> None:
    document = grey_document()
    photo = np.full((640, 1152, 3), 60, np.uint8)
    photo[:, 640:] = 114
    Image.fromarray(photo).save(tmp_path / document["images"][0]["file_name"], quality=75)
    pack = read_pack(packed(tmp_path, document, scale=0.5).folders[0])
    # Columns 640 to 1151: edges 639.5 and 1151.5 come to 319.5 and 575.5.
    assert pack.pictures[0].grey_areas == ((319.5, -0.5, 575.5, 319.5),)


def test_a_missing_area_that_shows_something_is_no_missing_area(tmp_path: Path) -> None:
    document = grey_document()
    write_photo(tmp_path, document["images"][0]["file_name"], 1152, 640, grey=60)
    document["images"] += [real_document()["images"][1]]
    made = packed(tmp_path, document)
    assert made.pictures == 1
    assert "Columns 640 to 1152 of rows 0 to 640 should be flat grey" in made.left_out[0]


# --- packs ---------------------------------------------------------------------------------------


def _missing(folder: Path, _: Json) -> None:
    (folder / "meadow_1.jpg").unlink()


def _torn(folder: Path, _: Json) -> None:
    (folder / "meadow_1.jpg").write_bytes((folder / "meadow_1.jpg").read_bytes()[:300])


def _other_size(folder: Path, document: Json) -> None:
    document["images"][0]["width"] = 60


def _outside(folder: Path, document: Json) -> None:
    document["images"][0]["file_name"] = "../meadow_1.jpg"


def _flat_box(folder: Path, document: Json) -> None:
    document["annotations"][0]["bbox"][2] = 0.0


def _half_a_box(folder: Path, document: Json) -> None:
    del document["annotations"][0]["bbox"][3]


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        (_missing, "can't be read: FileNotFoundError"),
        (_torn, "can't be read"),
        (_other_size, "40 x 30 px, but annotated at 60 x 30"),
        (_outside, "leads out of the folder"),
        (_flat_box, "box of annotation 10 has no inside"),
        (_half_a_box, "annotations are not what they should be"),
    ],
)
def test_a_bad_picture_is_left_out_with_a_sentence_and_the_rest_goes_on(
    tmp_path: Path, harm: Callable[[Path, Json], None], words: str
) -> None:
    document = real_document()
    for image in document["images"]:
        write_photo(tmp_path, image["file_name"], image["width"], image["height"])
    harm(tmp_path, document)
    coco = tmp_path / "coco.json"
    coco.write_text(json.dumps(document))
    said: list[str] = []
    made = make_packs(
        PackPlan(coco=coco, images=tmp_path, out=tmp_path / "pack"), said.append, processes=1
    )
    assert len(made.left_out) == 1
    assert words in made.left_out[0]
    assert made.left_out[0] in said
    pack = read_pack(tmp_path / "pack", verify=True)
    assert [picture.source for picture in pack.pictures] == ["brook"]
    assert len(pack.fruit_of(0)) == 2


def test_nothing_is_left_behind_where_no_picture_can_be_packed(tmp_path: Path) -> None:
    document = real_document()
    (tmp_path / "coco.json").write_text(json.dumps(document))
    plan = PackPlan(coco=tmp_path / "coco.json", images=tmp_path, out=tmp_path / "pack")
    with pytest.raises(TrainingError, match="Not one picture"):
        make_packs(plan, quiet, processes=1)
    assert [path.name for path in tmp_path.iterdir()] == ["coco.json"]


def test_two_processes_make_the_same_pack_as_one(tmp_path: Path) -> None:
    one = packed(tmp_path, real_document(), out=tmp_path / "one").folders[0]
    plan = PackPlan(coco=tmp_path / "coco.json", images=tmp_path, out=tmp_path / "two")
    two = make_packs(plan, quiet, processes=2).folders[0]
    files = sorted(path.relative_to(one) for path in one.rglob("*") if path.is_file())
    assert len(files) == 4
    assert all((one / name).read_bytes() == (two / name).read_bytes() for name in files)


def test_split_and_text_choose_pictures(tmp_path: Path) -> None:
    val = packed(tmp_path, real_document(), out=tmp_path / "val", split="val")
    meadow = packed(tmp_path, real_document(), out=tmp_path / "meadow", only="meadow")
    assert [p.split for p in read_pack(val.folders[0]).pictures] == ["val"]
    assert [p.source for p in read_pack(meadow.folders[0]).pictures] == ["meadow"]


def test_shards_share_the_pictures_out(tmp_path: Path) -> None:
    made = packed(tmp_path, real_document(), shards=2)
    assert [folder.name for folder in made.folders] == ["pack-1", "pack-2"]
    packs = [read_pack(folder, verify=True) for folder in made.folders]
    assert [[p.source for p in pack.pictures] for pack in packs] == [["meadow"], ["brook"]]
    assert [pack.fruit.picture.tolist() for pack in packs] == [[0, 0], [0, 0]]


def test_a_plan_that_makes_no_sense_is_refused(tmp_path: Path) -> None:
    with pytest.raises(TrainingError, match=r"--scale is 9"):
        packed(tmp_path, real_document(), scale=9.0)
    with pytest.raises(TrainingError, match=r"--format is 'webb'. Did you mean 'webp'"):
        packed(tmp_path, real_document(), ending="webb")
    with pytest.raises(TrainingError, match=r"no split 'vale'. Did you mean 'val'"):
        packed(tmp_path, real_document(), split="vale")
    with pytest.raises(TrainingError, match="0 pictures"):
        packed(tmp_path, real_document(), only="plum")
    packed(tmp_path, real_document())
    with pytest.raises(TrainingError, match="is there already"):
        packed(tmp_path, real_document())


def test_a_file_that_is_no_coco_document_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "coco.json"
    plan = PackPlan(coco=path, images=tmp_path, out=tmp_path / "pack")
    with pytest.raises(TrainingError, match="Can't read"):
        make_packs(plan, quiet, processes=1)
    for text in ("{", "[]", '{"images": [], "annotations": []}'):
        path.write_text(text)
        with pytest.raises(TrainingError, match="no COCO document"):
            make_packs(plan, quiet, processes=1)


def test_altered_files_of_a_pack_are_refused(tmp_path: Path) -> None:
    pack = rendered_pack(tmp_path)
    for name in (pack.pictures[0].file, pack.pictures[0].mask):
        path = pack.folder / name
        content = path.read_bytes()
        path.write_bytes(content + b"x")
        read_pack(pack.folder)
        with pytest.raises(TrainingError, match=f"{path.name} was altered"):
            read_pack(pack.folder, verify=True)
        path.write_bytes(content)
    (pack.folder / "fruit.npz").write_bytes(b"x")
    with pytest.raises(TrainingError, match=r"fruit.npz was altered"):
        read_pack(pack.folder)


def test_a_folder_that_is_no_pack_or_of_another_format_is_refused(
    tmp_path: Path, real_pack: Pack
) -> None:
    with pytest.raises(TrainingError, match=r"Can't read .*pack.json"):
        read_pack(tmp_path)
    path = real_pack.folder / "pack.json"
    found = json.loads(path.read_text())
    path.write_text(json.dumps({**found, "format_version": 2}))
    with pytest.raises(TrainingError, match="has format 2; this program reads 1"):
        read_pack(real_pack.folder)
    del found["pictures"][0]["scale"]
    path.write_text(json.dumps(found))
    with pytest.raises(TrainingError, match="is damaged"):
        read_pack(real_pack.folder)


# --- config --------------------------------------------------------------------------------------

PACK_LINES = '[[packs]]\nfolder = "real"\n'


def config_of(folder: Path, text: str) -> TrainingConfig:
    (folder / "training.toml").write_text(text)
    return read_config(folder / "training.toml")


def test_a_config_is_read_with_defaults_for_the_rest(tmp_path: Path) -> None:
    config = config_of(
        tmp_path,
        'batch = 8\nlearning_rate = 1\ndecoder_channels = [64, 48, 32]\nencoder_weights = "w.pth"\n'
        f"{PACK_LINES}weight = 2.5\n[[packs]]\nfolder = '/far/off'\n[loss_weights]\nheat = 3\n",
    )
    assert config.batch == 8
    assert isinstance(config.learning_rate, float)
    assert config.decoder_channels == (64, 48, 32)
    assert config.encoder_weights == tmp_path / "w.pth"
    assert config.packs == (
        PackChoice(folder=tmp_path / "real", weight=2.5),
        PackChoice(folder=Path("/far/off")),
    )
    assert (config.loss_weights.heat, config.loss_weights.box) == (3.0, 1.0)
    assert config.crop_px == 640


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("bach = 8", "Unknown key 'bach' .* Did you mean 'batch'"),
        ("[loss_weights]\nheta = 1", r"Unknown key 'loss_weights\.heta' .* mean 'heat'"),
        ("[[packs]]\nfolder = 'b'\nwieght = 1", r"Unknown key 'packs\.wieght' .* mean 'weight'"),
        ("batch = 8.0", "'batch' is 8.0 .* Give a whole number"),
        ("seed = true", "'seed' is True .* Give a whole number"),
        ("minutes = '8'", "'minutes' is '8' .* Give a number"),
        ("precision = 16", "'precision' is 16 .* Give a text"),
        ("precision = 'bf61'", "'precision' is 'bf61' .* mean 'bf16'"),
        ("encoder = 'lite0s'", "'encoder' is 'lite0s' .* mean 'lite0'"),
        ("decoder_channels = [1, 2]", "'decoder_channels' is .* Give a list of 3"),
        ("decoder_channels = 64", "'decoder_channels' is 64 .* Give a list"),
        ("loss_weights = 1", "'loss_weights' is 1 .* Give a table"),
        ("batch = 0", "'batch' is 0 .* Give a number from 1"),
        ("learning_rate = nan", "'learning_rate' is nan"),
        ("crop_px = 650", "'crop_px' is 650 .* multiple of 32"),
        ("minutes = 0", "no length"),
        ("zoom_least = 3.0", "'zoom_least' is above 'zoom_most'"),
        ("batch = ", "is no TOML"),
    ],
)
def test_a_wrong_config_is_refused_by_key(tmp_path: Path, text: str, words: str) -> None:
    text = f"{PACK_LINES}{text}" if text.startswith("[") else f"{text}\n{PACK_LINES}"
    with pytest.raises(SettingsError, match=words):
        config_of(tmp_path, text)


def test_a_config_without_packs_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="'packs' is missing"):
        config_of(tmp_path, "batch = 8")
    with pytest.raises(SettingsError, match=r"'packs\.folder' is missing"):
        config_of(tmp_path, "[[packs]]\nweight = 1.0")
    with pytest.raises(SettingsError, match="names no pack"):
        config_of(tmp_path, "packs = []")
    with pytest.raises(SettingsError, match="weight of the pack real is 0"):
        config_of(tmp_path, f"{PACK_LINES}weight = 0")


def test_the_hash_of_a_config_knows_values_but_not_where_files_lie(tmp_path: Path) -> None:
    config = config_of(tmp_path, PACK_LINES)
    moved = read_config(tmp_path / "training.toml", packs_folder=tmp_path / "elsewhere")
    assert moved.packs[0].folder == tmp_path / "elsewhere" / "real"
    assert moved.sha256 == config.sha256
    assert replace(config, seed=2).sha256 != config.sha256
    heavier = replace(config, packs=(replace(config.packs[0], weight=2.0),))
    assert heavier.sha256 != config.sha256


# --- manifest ------------------------------------------------------------------------------------


def test_a_manifest_is_written_once_and_a_changed_pack_refused(
    tmp_path: Path, real_pack: Pack
) -> None:
    config = TrainingConfig(packs=(PackChoice(folder=real_pack.folder),))
    run = tmp_path / "run"
    first = checked_manifest(config, [real_pack], run)
    assert checked_manifest(config, [real_pack], run) == first
    noted = read_manifest(run / "manifest.json")
    assert noted.sha256 == first
    assert (noted.packs[0].name, noted.packs[0].pictures, noted.packs[0].fruit) == ("pack", 2, 4)

    other = packed(tmp_path, real_document(), scale=0.6, out=tmp_path / "again" / "pack")
    with pytest.raises(TrainingError, match=r"trained on other packs: pack changed"):
        checked_manifest(config, [read_pack(other.folders[0])], run)


def test_no_manifest_is_written_of_an_altered_picture(tmp_path: Path, real_pack: Pack) -> None:
    (real_pack.folder / real_pack.pictures[1].file).write_bytes(b"x")
    config = TrainingConfig(packs=(PackChoice(folder=real_pack.folder),))
    with pytest.raises(TrainingError, match="was altered"):
        checked_manifest(config, [real_pack], tmp_path / "run")
    assert not (tmp_path / "run").exists()


# --- checkpoints ---------------------------------------------------------------------------------

CONFIG = TrainingConfig(packs=(PackChoice(folder=Path("real")),))


class SmallRun:
    """A network of one layer that learns from random numbers of torch and of numpy."""

    def __init__(self, seed: int) -> None:
        torch.manual_seed(seed)
        self.rng = np.random.default_rng(seed)
        self.model = torch.nn.Linear(3, 2)
        self.optimizer = torch.optim.AdamW(self.model.parameters(), lr=0.1)
        self.ema = {name: value.clone() for name, value in self.model.state_dict().items()}
        self.step = 0

    def go(self, until: int) -> None:
        while self.step < until:
            values = torch.randn(4, 3) + float(self.rng.normal())
            loss = self.model(values).square().mean()
            self.optimizer.zero_grad()
            loss.backward()
            self.optimizer.step()
            for name, value in self.model.state_dict().items():
                self.ema[name] += 0.1 * (value - self.ema[name])
            self.step += 1

    def state(self) -> TrainingState:
        return TrainingState(
            step=self.step,
            steps=20,
            seconds=1.5,
            model=self.model.state_dict(),
            ema=self.ema,
            optimizer=self.optimizer.state_dict(),
            random=random_state(self.rng),
        )

    def restore(self, state: TrainingState) -> None:
        self.model.load_state_dict(state.model)
        self.optimizer.load_state_dict(dict(state.optimizer))
        self.ema = dict(state.ema)
        self.step = state.step
        restore_random(state.random, self.rng)


def test_a_training_that_was_killed_ends_where_it_would_have(tmp_path: Path) -> None:
    straight = SmallRun(seed=1)
    straight.go(12)

    killed = SmallRun(seed=1)
    killed.go(7)
    Checkpoints(tmp_path, CONFIG, "data").save(killed.state())
    killed.go(9)  # lost

    again = SmallRun(seed=99)
    found = Checkpoints(tmp_path, CONFIG, "data").latest(CPU)
    assert found is not None
    assert (found.step, found.steps, found.seconds) == (7, 20, 1.5)
    again.restore(found)
    again.go(12)
    for name, value in straight.model.state_dict().items():
        assert torch.equal(again.model.state_dict()[name], value)
        assert torch.equal(again.ema[name], straight.ema[name])


def test_the_last_two_checkpoints_are_kept(tmp_path: Path) -> None:
    run, checkpoints = SmallRun(seed=1), Checkpoints(tmp_path, CONFIG, "data")
    assert checkpoints.latest(CPU) is None
    for step in (1, 2, 10, 11):
        run.go(step)
        checkpoints.save(run.state())
    (tmp_path / "checkpoints" / ".half.part").write_bytes(b"x")  # what a kill leaves
    assert [path.name for path in checkpoints_in(tmp_path)] == [
        "step-000000010.pt",
        "step-000000011.pt",
    ]
    found = checkpoints.latest(CPU)
    assert found is not None
    assert found.step == 11


def test_a_checkpoint_of_another_config_or_other_data_is_refused(tmp_path: Path) -> None:
    Checkpoints(tmp_path, CONFIG, "data").save(SmallRun(seed=1).state())
    with pytest.raises(TrainingError, match="another training config"):
        Checkpoints(tmp_path, replace(CONFIG, batch=3), "data").latest(CPU)
    with pytest.raises(TrainingError, match="another manifest of packs"):
        Checkpoints(tmp_path, CONFIG, "other").latest(CPU)


@pytest.mark.parametrize("keep", [0, 100, 3000])
def test_a_damaged_checkpoint_is_named_and_never_passed_over(tmp_path: Path, keep: int) -> None:
    path = Checkpoints(tmp_path, CONFIG, "data").save(SmallRun(seed=1).state())
    path.write_bytes(path.read_bytes()[:keep])
    with pytest.raises(TrainingError, match=r"step-000000000.pt is damaged"):
        Checkpoints(tmp_path, CONFIG, "data").latest(CPU)


# --- curves --------------------------------------------------------------------------------------


def test_steps_done_again_are_in_the_curve_once(tmp_path: Path) -> None:
    curves = Curves(tmp_path)
    for step in (25, 50, 75):
        curves.losses(step, {"heat": step / 100, "box": 1.0})
    curves.evaluation(75, {"f1": 0.5})
    with (tmp_path / "losses.csv").open("a") as stream:
        stream.write("50,0.5,1")  # of 1.75: what a kill leaves

    again = Curves(tmp_path)
    again.go_on_after(50)
    again.losses(75, {"heat": 0.125, "box": 2.0})
    again.evaluation(75, {"f1": 0.625})
    losses = (tmp_path / "losses.csv").read_text()
    assert losses == "step,heat,box\n25,0.25,1\n50,0.5,1\n75,0.125,2\n"
    assert (tmp_path / "evaluations.csv").read_text() == "step,f1\n75,0.625\n"


def test_a_curve_with_other_columns_is_not_mixed_in(tmp_path: Path) -> None:
    Curves(tmp_path).losses(25, {"heat": 1.0})
    with pytest.raises(TrainingError, match="has the columns step, heat, not step, box"):
        Curves(tmp_path).losses(50, {"box": 1.0})


def test_the_line_of_progress_says_what_is_left() -> None:
    line = progress_line(
        50, 200, {"heat": 0.12345, "box": 2.0}, pictures_per_second=812.3, seconds_left=90.0
    )
    assert line == "step 50 of 200: heat 0.123, box 2; 812 pictures a second, 1.5 min left"
    unknown = progress_line(5, 0, {"heat": 1.0}, pictures_per_second=9.0, seconds_left=0.0)
    assert unknown == "step 5: heat 1; 9 pictures a second"


# --- commands ------------------------------------------------------------------------------------


def test_both_fronts_have_the_same_options() -> None:
    typed = {
        name: {option for each in command.params for option in each.opts}
        for name, command in get_command(train_cli).commands.items()  # type: ignore[attr-defined]
    }
    parser = bare._parser()
    commands = next(action.choices for action in parser._actions if action.dest == "command")
    assert commands is not None
    plain = {
        name: {o for action in each._actions for o in action.option_strings} - {"-h", "--help"}
        for name, each in commands.items()  # type: ignore[union-attr,attr-defined]
    }
    assert typed == plain


def test_the_bare_front_packs_and_goes_on_after_a_bad_picture(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    document = real_document()
    write_photo(tmp_path, "meadow_1.jpg", 40, 30)
    (tmp_path / "coco.json").write_text(json.dumps(document))
    arguments = ["--coco", tmp_path / "coco.json", "--images", tmp_path, "--out", tmp_path / "p"]
    command = ["pack", *map(str, arguments), "--workers", "1", "--quality", "80"]
    assert bare.main(command) == 1
    assert "brook_2.jpg is left out" in capsys.readouterr().out
    assert bare.main(command) == 2
    assert "is there already" in capsys.readouterr().err


def test_a_finished_or_started_run_is_not_trained_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "config.toml").write_text(PACK_LINES)
    (tmp_path / "training.toml").write_text(PACK_LINES)
    config, out = str(tmp_path / "training.toml"), str(tmp_path / "run")
    assert bare.main(["run", "--config", config, "--out", out, "--device", "cpu"]) == 2
    assert "holds a training" in capsys.readouterr().err


def test_training_needs_nothing_that_a_bare_machine_lacks() -> None:
    code = (
        "import sys\n"
        "import fruitvision.train.__main__, fruitvision.train.manifest, fruitvision.train.curves\n"
        "print(' '.join(sorted({name.split('.')[0] for name in sys.modules})))\n"
        "print(' '.join(name for name in sys.modules if name.startswith('fruitvision.')))\n"
    )
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    libraries, own = (set(line.split()) for line in done.stdout.splitlines())
    absent = {"typer", "sqlalchemy", "streamlit", "pi_heif", "alembic", "faster_coco_eval"}
    assert not libraries & (absent | {"openpyxl", "reportlab", "mitsuba", "onnxruntime"})
    assert "fruitvision.store" not in own
