"""The text in a file, whatever wrote it: UTF-8, UTF-16 or Windows-1252, told from the bytes."""

from __future__ import annotations

from pathlib import Path

from fruitvision.errors import FieldDataError

# Our choice: 20 MB hold some 400,000 rows of field data; more is not a table typed by people.
LARGEST_FILE_BYTES = 20_000_000
# Bytes that are looked at for how text of two bytes a letter is ordered. Our choice.
_LOOKED_AT = 4096
# Share of such bytes that are 0 in text of Latin letters. Our choice: half of them, at least.
_MOSTLY = 0.5

SAVE_AS_CSV = "Save the table as CSV (UTF-8) and give that file."


def read_bytes(path: Path) -> bytes:
    """All bytes of a file.

    Raises
    ------
    FieldDataError
        If it can't be read, or is larger than `LARGEST_FILE_BYTES`.
    """
    try:
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise FieldDataError(
                f"{path.name} is larger than {LARGEST_FILE_BYTES // 1_000_000} MB.",
                fix="This is no table of field data: choose another file.",
            )
        return path.read_bytes()
    except OSError as err:
        raise FieldDataError(
            f"Can't read {path.name}: {err.strerror}.", fix="Check the name and the folder."
        ) from err


def decode(content: bytes, name: str) -> str:
    """The text in bytes.

    Raises
    ------
    FieldDataError
        If they are no text in any of the encodings: Windows-1252 has five bytes without a letter.
    """
    try:
        text = content.decode(encoding_of(content))
    except UnicodeDecodeError as err:
        raise FieldDataError(f"{name} is no text.", fix=SAVE_AS_CSV) from err
    if "\0" in text:
        raise FieldDataError(f"{name} is no text.", fix=SAVE_AS_CSV)
    return text


def encoding_of(content: bytes) -> str:
    """Name of the encoding as Python knows it.

    A byte order mark decides; without one, zero bytes tell text of two bytes a letter; then UTF-8
    where all of it is valid, which other text with accents hardly ever is; Windows-1252 else.
    """
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    first = content[:_LOOKED_AT]
    pairs = len(first) // 2
    if pairs and first[1::2].count(0) >= _MOSTLY * pairs:
        return "utf-16-le"
    if pairs and first[0::2].count(0) >= _MOSTLY * pairs:
        return "utf-16-be"
    try:
        content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8-sig"
