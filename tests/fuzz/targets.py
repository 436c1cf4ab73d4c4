"""Every reader of files that come from outside, with files that it takes: fuzzing starts there.

A reader may refuse what it is given, in words (`FruitVisionError`). Anything else it raises is a
finding.
"""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import openpyxl
import pi_heif
from PIL import Image

from fruitvision.accounts import AccountBook
from fruitvision.archive import make_archive, restore_archive
from fruitvision.domain import Forecast
from fruitvision.errors import FruitVisionError
from fruitvision.evaluate.truth import read_truth
from fruitvision.field_data import read_blocks, read_calipers, read_hand_counts
from fruitvision.fruit.model_card import read_card
from fruitvision.office_data import read_gaps, read_picks, read_register, read_weighed
from fruitvision.orders.table import read_orders
from fruitvision.outlines_coco_in import read_drawn
from fruitvision.packed_data import read_packed, read_tickets
from fruitvision.packout_data import read_culls, read_grades
from fruitvision.papers.sheets import read_sheets
from fruitvision.photo import day_and_id_of, read_photo, read_small
from fruitvision.price_data import read_prices
from fruitvision.records import from_plain
from fruitvision.reference_table import read_references
from fruitvision.settings import read_settings
from fruitvision.size_table import read_size_table
from fruitvision.store import open_farm
from fruitvision.walk_data import read_walk

AT = datetime(2026, 8, 12, 9, tzinfo=UTC)


@dataclass(frozen=True)
class Target:
    """A reader by the ending of its files; `seeds` are files that it takes, or nearly."""

    suffix: str
    seeds: Callable[[], tuple[bytes, ...]]
    read: Callable[[Path], object]

    def feed(self, content: bytes) -> bool:
        """Whether the reader took it; false if it refused in words.

        Raises
        ------
        Exception
            What the reader raises beside that.
        """
        with TemporaryDirectory(prefix="fruitvision-fuzz-") as folder:
            path = Path(folder) / f"file{self.suffix}"
            path.write_bytes(content)
            with suppress(FruitVisionError):
                self.read(path)
                return True
        return False


# ---------------------------------------------------------------- files that are taken


def _jpeg() -> bytes:
    stream = io.BytesIO()
    tags = Image.Exif()
    tags[0x0132] = "2026:08:12 09:30:00"
    tags[0x010F], tags[0x0112] = "Invented", 6
    tags.get_ifd(0x8825).update({1: "N", 2: (47.0, 30.0, 0.0), 3: "E", 4: (9.0, 20.0, 0.0)})
    _picture().save(stream, "JPEG", exif=tags)
    return stream.getvalue()


def _png() -> bytes:
    stream = io.BytesIO()
    _picture().save(stream, "PNG")
    return stream.getvalue()


def _heic() -> bytes:
    # pi_heif reads only: a file that says it is one, for what is read before the picture.
    assert pi_heif.__version__
    return b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic\x00\x00\x00\x08mdat"


def _picture() -> Image.Image:
    values = (np.arange(48 * 64 * 3) % 251).astype(np.uint8)
    return Image.fromarray(values.reshape(48, 64, 3))


def _csv(*lines: str) -> Callable[[], tuple[bytes, ...]]:
    text = "\n".join(lines) + "\n"
    return lambda: (
        text.encode(),
        text.replace(",", ";").encode("cp1252"),
        text.encode("utf-16"),
        _xlsx(lines),
    )


def _xlsx(lines: tuple[str, ...]) -> bytes:
    workbook = openpyxl.Workbook()
    sheet = workbook.active
    assert sheet is not None
    for line in lines:
        sheet.append(line.split(","))
    stream = io.BytesIO()
    workbook.save(stream)
    return stream.getvalue()


def _coco() -> tuple[bytes, ...]:
    document = {
        "images": [{"id": 1, "file_name": "a.jpg", "width": 64, "height": 48}],
        "categories": [{"id": 1, "name": "fruit"}],
        "annotations": [
            {
                "id": 1,
                "image_id": 1,
                "category_id": 1,
                "bbox": [4, 5, 10, 12],
                "area": 120,
                "iscrowd": 0,
                "segmentation": [[4, 5, 14, 5, 14, 17, 4, 17]],
            }
        ],
    }
    return (json.dumps(document).encode(),)


def _archive() -> tuple[bytes, ...]:
    with TemporaryDirectory() as folder:
        farm, out = Path(folder) / "farm", Path(folder) / "farm.zip"
        open_farm(farm, name="Larkhill").close()
        make_archive(farm, out, program_version="0", made_at=AT)
        whole = out.read_bytes()
    outside = io.BytesIO()
    with zipfile.ZipFile(outside, "w") as archive:
        archive.writestr("../outside.txt", "x")
        archive.writestr("manifest.json", "{}")
    return whole, outside.getvalue()


def _accounts() -> tuple[bytes, ...]:
    account = {
        "name": "Ines",
        "role": "manager",
        "password_hash": "$argon2id$v=19$m=8,t=1,p=1$c2FsdHNhbHQ$aGFzaGhhc2g",
        "changed_at": AT.isoformat(),
    }
    return (json.dumps({"schema_version": 1, "accounts": [account]}).encode(),)


# ---------------------------------------------------------------- readers


def _read_all_of_a_photo(path: Path) -> None:
    day_and_id_of(path)
    with suppress(FruitVisionError):
        read_small(path, 32)
    read_photo(path)


def _restore(path: Path) -> None:
    target = path.parent / "restored" / "farm"
    restore_archive(path, target)
    open_farm(target, create=False).close()
    outside = [one for one in path.parent.iterdir() if one.name not in (path.name, "restored")]
    assert not outside, outside


def _read_accounts(path: Path) -> None:
    path.rename(path.with_name("accounts.json"))
    AccountBook(path.parent).check("Ines", "kettle moss lantern")


def _read_card(path: Path) -> None:
    path.rename(path.with_name("card.toml"))
    read_card(path.parent)


def _read_forecast(path: Path) -> None:
    try:
        from_plain(Forecast, json.loads(path.read_bytes()))
    except (ValueError, TypeError, KeyError, RecursionError):
        # As `store.forecasts` and the kept results take it: what does not fit is not used.
        return


TARGETS: dict[str, Target] = {
    "jpeg": Target(".jpg", lambda: (_jpeg(),), _read_all_of_a_photo),
    "png": Target(".png", lambda: (_png(),), _read_all_of_a_photo),
    "heic": Target(".heic", lambda: (_heic(),), _read_all_of_a_photo),
    "blocks": Target(
        ".csv",
        _csv("block,variety,positions,pick_date", "Gala North,Gala,1200,2026-09-03"),
        read_blocks,
    ),
    "walk": Target(".csv", _csv("photo,block,row,position,face", "a.jpg,Gala,1,2,A"), read_walk),
    "hand counts": Target(
        ".csv",
        _csv("block,row,position,fruit_count,counted_on", "Gala,1,2,84,2026-08-12"),
        read_hand_counts,
    ),
    "calipers": Target(
        ".csv",
        _csv("block,row,position,fruit,measured_on,diameter_mm", 'Gala,1,2,3,2026-08-12,"70,8"'),
        read_calipers,
    ),
    "register": Target(".csv", _csv("block,row,position,kind", "Gala,1,2,bearing"), read_register),
    "gaps": Target(
        ".csv",
        _csv("block,row,position,visited_on,found", "Gala,1,2,2026-08-12,missing"),
        read_gaps,
    ),
    "picks": Target(
        ".csv",
        _csv("block,pick_date,share", "Gala,2026-09-03,0.6", "Gala,2026-09-10,0.4"),
        read_picks,
    ),
    "weighed": Target(
        ".csv",
        _csv("variety,weighed_on,diameter_mm,mass_g", "Gala,2026-08-12,70,160"),
        read_weighed,
    ),
    "culls": Target(".csv", _csv("size_class,cull_share", "100,0.1"), read_culls),
    "grades": Target(
        ".csv", _csv("size_class,grade,share", "100,I,0.8", "100,II,0.2"), read_grades
    ),
    "orders": Target(
        ".csv",
        _csv("customer,variety,classes,week,cartons", "N7,Gala,80-100,2026-W36,130"),
        read_orders,
    ),
    "tickets": Target(
        ".csv", _csv("ticket,block,picked_on,bins", "7,Gala,2026-09-03,4"), read_tickets
    ),
    "packed": Target(
        ".csv", _csv("lot,packed_on,size_class,cartons", "L1,2026-09-05,100,40"), read_packed
    ),
    "prices": Target(".csv", _csv("variety,size_class,per_carton", "Gala,100,21.5"), read_prices),
    "references": Target(
        ".csv", _csv("photo,kind,size_mm,x0,y0,x1,y1", "a.jpg,ball,70,1,2,30,31"), read_references
    ),
    "size table": Target(
        ".csv",
        _csv(
            "class,from_mm,to_mm,fruit_per_carton,carton_kg",
            "70-75,70,75,100,18",
            "75-80,75,80,88,18",
        ),
        read_size_table,
    ),
    "any table": Target(".csv", _csv("Rang;Baum;Zahl", "1;2;3"), read_sheets),
    "any workbook": Target(".xlsx", lambda: (_xlsx(("a,b", "1,2")),), read_sheets),
    "settings": Target(".toml", lambda: (b'draws = 400\nunits = "us"\n',), read_settings),
    "coco truth": Target(".json", _coco, read_truth),
    "coco drawn": Target(".json", _coco, read_drawn),
    "archive": Target(".zip", _archive, _restore),
    "accounts": Target(".json", _accounts, _read_accounts),
    "model card": Target(".toml", lambda: (b'name = "x"\nversion = 1\n',), _read_card),
    "forecast": Target(".json", lambda: (b'{"forecast_id": "a"}',), _read_forecast),
}
