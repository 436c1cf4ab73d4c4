"""What a training was fed, by hashes: a changed pack is another training."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from fruitvision.errors import TrainingError
from fruitvision.train.config import TrainingConfig
from fruitvision.train.pack import FRUIT_FILE, PACK_FILE, Pack, verify_files
from fruitvision.whole_file import write_whole

MANIFEST_FILE = "manifest.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class PackHashes:
    """One pack: `pack_sha256` of pack.json, `fruit_sha256` of fruit.npz, `pictures_sha256` of the
    list of pictures and instance maps with their own hashes."""

    name: str
    weight: float
    pictures: int
    fruit: int
    pack_sha256: str
    fruit_sha256: str
    pictures_sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """All packs of a training, in the order of its config."""

    packs: tuple[PackHashes, ...]

    @property
    def sha256(self) -> str:
        """Hash of it all."""
        return hashlib.sha256(self.to_json().encode()).hexdigest()

    def to_json(self) -> str:
        """The content of manifest.json."""
        return json.dumps(asdict(self), indent=1) + "\n"


def manifest_of(config: TrainingConfig, packs: Sequence[Pack]) -> Manifest:
    """Hashes of the packs of a config, which are given in its order. Pictures are not read."""
    return Manifest(
        packs=tuple(
            _hashes(choice.weight, pack) for choice, pack in zip(config.packs, packs, strict=True)
        )
    )


def checked_manifest(config: TrainingConfig, packs: Sequence[Pack], out: Path) -> str:
    """Check every file of the packs and note them in the run's folder; the manifest's hash.

    Raises
    ------
    TrainingError
        If a picture was altered, or the folder was trained on other packs.
    """
    for pack in packs:
        verify_files(pack)
    manifest = manifest_of(config, packs)
    path = out / MANIFEST_FILE
    if path.exists():
        _refuse_other(read_manifest(path), manifest, out)
    else:
        write_whole(path, manifest.to_json().encode())
    return manifest.sha256


def read_manifest(path: Path) -> Manifest:
    """A manifest from its file.

    Raises
    ------
    TrainingError
        If it can't be read.
    """
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        return Manifest(packs=tuple(PackHashes(**pack) for pack in found["packs"]))
    except (OSError, KeyError, TypeError, ValueError) as err:
        raise TrainingError(
            f"{path} can't be read as the manifest of a training.", fix="Train into a new folder."
        ) from err


def _hashes(weight: float, pack: Pack) -> PackHashes:
    lines = [
        f"{sha256} {name}\n"
        for picture in pack.pictures
        for name, sha256 in ((picture.file, picture.sha256), (picture.mask, picture.mask_sha256))
        if name
    ]
    return PackHashes(
        name=pack.folder.name,
        weight=weight,
        pictures=len(pack),
        fruit=len(pack.fruit),
        pack_sha256=_sha256((pack.folder / PACK_FILE).read_bytes()),
        fruit_sha256=_sha256((pack.folder / FRUIT_FILE).read_bytes()),
        pictures_sha256=_sha256("".join(lines).encode()),
    )


def _refuse_other(before: Manifest, now: Manifest, out: Path) -> None:
    if before == now:
        return
    old = {pack.name: pack for pack in before.packs}
    new = {pack.name: pack for pack in now.packs}
    changed = [name for name in old if old[name] != new.get(name)] + [
        n for n in new if n not in old
    ]
    raise TrainingError(
        f"{out} was trained on other packs: {', '.join(changed) or 'their order'} changed.",
        fix="Bring the packs back as they were, or train into a new folder.",
    )


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
