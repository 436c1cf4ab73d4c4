"""No file breaks a reader: what it can't take it refuses in words."""

from __future__ import annotations

import random
import warnings
from pathlib import Path

import pytest

from tests.fuzz.targets import TARGETS, Target

# What fuzzing found once (`python -m tests.fuzz.run`), by reader.
FOUND = Path(__file__).parent / "fuzz" / "found"
MUTANTS = 30
# What breaks readers elsewhere: sizes, signs and names that nobody expects.
NASTY = (
    b"\x00", b"\xff" * 8, b"\xff\xd8\xff\xe1\xff\xff", b"1e999", b"-1", b"NaN", b"Infinity",
    b"99999999999999999999", b"=1+1", b"\"", b"\r", b"[" * 400, b"{" * 400, b"../" * 8,
    b"\xed\xa0\x80", "\u202e".encode(), b"2026-02-30", b"0000-00-00", b"PK\x03\x04",
    b"\xef\xbb\xbf",
)  # fmt: skip


def _mutant(seed: bytes, chance: random.Random) -> bytes:
    content = bytearray(seed)
    for _ in range(chance.randint(1, 4)):
        at = chance.randint(0, len(content))
        kind = chance.randrange(4)
        if kind == 0 and content:
            content[min(at, len(content) - 1)] ^= 1 << chance.randrange(8)
        elif kind == 1:
            content[at:at] = chance.choice(NASTY)
        elif kind == 2:
            del content[at : at + chance.randint(1, 40)]
        else:
            until = chance.randint(at, min(len(content), at + 60))
            content[at:at] = content[at:until]
    return bytes(content)


@pytest.mark.parametrize("name", TARGETS)
def test_no_file_breaks_a_reader(name: str) -> None:
    target = TARGETS[name]
    chance = random.Random(name)  # noqa: S311
    seeds = target.seeds()
    contents = [b"", *seeds, *(path.read_bytes() for path in _found(name))]
    contents += [_mutant(chance.choice(seeds), chance) for _ in range(MUTANTS)]
    with warnings.catch_warnings():
        # Libraries warn of what they meet in broken files.
        warnings.simplefilter("ignore")
        taken = [target.feed(content) for content in contents]
    assert len(taken) == len(contents)


def _found(name: str) -> list[Path]:
    return sorted((FOUND / name.replace(" ", "_")).glob("*"))


def test_files_that_are_taken_are_what_hostile_ones_are_made_of() -> None:
    untaken = {name for name, target in TARGETS.items() if not target.feed(target.seeds()[0])}
    # A HEIC file can't be written here, and a card goes with the files of its network.
    assert untaken == {"heic", "model card"}


def test_a_reader_that_breaks_is_noticed() -> None:
    def breaks(path: Path) -> None:
        raise IndexError(path)

    with pytest.raises(IndexError):
        Target(".csv", lambda: (b"x",), breaks).feed(b"x")
