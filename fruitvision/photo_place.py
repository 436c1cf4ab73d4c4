"""A photo without the place where it was taken, for files that leave the farm.

The picture stays as it is, bit by bit; only what is written beside it goes. In EXIF (Exif 2.32,
4.6; TIFF 6.0, 2) the directory of the place, maker's notes, comments, and names and numbers of
owner and camera are blanked where they stand, so that no other tag moves. XMP, IPTC, comments and
pictures that follow the first one (motion photos, previews) are cut off in JPEG (T.81, B.1) and
PNG, and blanked elsewhere.
"""

from __future__ import annotations

import re
import struct
import zlib
from io import BytesIO

from PIL import Image as PillowImage

from fruitvision.errors import PhotoUnreadable
from fruitvision.photo_tags import tags_of

# Tags that point at a directory: that of EXIF, and that of the place.
_EXIF, _GPS = 0x8769, 0x8825
# Maker's notes (some hold places), comments, owner, numbers of camera, lens and picture, author,
# copyright, XMP and IPTC.
_PRIVATE = {
    *(0x927C, 0x9286, 0xA430, 0xA431, 0xA435, 0xA420, 0x013B, 0x8298, 0x02BC, 0x83BB, 0x8649),
    *range(0x9C9B, 0x9CA0),
}
# Bytes of a value of each TIFF type, by number.
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
# More entries than any camera writes: what claims more is no directory.
_MOST_ENTRIES = 1000
_PNG = b"\x89PNG\r\n\x1a\n"
_XMP = re.compile(rb"<x:xmpmeta.*?</x:xmpmeta>", re.DOTALL)


def without_place(content: bytes, name: str) -> bytes:
    """The same picture without place, owner and notes.

    Raises
    ------
    PhotoUnreadable
        If the file can't be read, or a place is still found in it.
    """
    from pi_heif import register_heif_opener

    register_heif_opener()
    try:
        cleaned = _cleaned(content)
        with PillowImage.open(BytesIO(cleaned)) as opened:
            tags = tags_of(opened)
            said = b"GPSLatitude" in cleaned or tags.latitude_deg is not None
    except (OSError, ValueError, struct.error, IndexError, zlib.error) as err:
        raise PhotoUnreadable(
            f"{name} can't be written without its place: {err}.", fix="Leave it out."
        ) from err
    if said:
        raise PhotoUnreadable(
            f"{name} says in another way where it was taken.", fix="Leave it out."
        )
    return cleaned


def _cleaned(content: bytes) -> bytes:
    if content.startswith(b"\xff\xd8"):
        return _jpeg(content)
    if content.startswith(_PNG):
        return _png(content)
    changed = bytearray(content)
    if content[:4] in (b"II*\0", b"MM\0*"):
        _blank_directories(changed, 0)
    else:
        _blank_exif_of(changed)
    for found in _XMP.finditer(content):
        changed[found.start() : found.end()] = b" " * (found.end() - found.start())
    return bytes(changed)


def _blank_exif_of(content: bytearray) -> None:
    """HEIC and others keep EXIF as one piece, which is found by its bytes."""
    with PillowImage.open(BytesIO(content)) as opened:
        exif = bytes(opened.info.get("exif") or b"").removeprefix(b"Exif\0\0")
    # The reader changes the orientation in its copy: the head is the same, the rest may not be.
    head = exif[:8]
    at = content.find(head) if head[:2] in (b"II", b"MM") else -1
    while at >= 0:
        if content[at - 6 : at] == b"Exif\0\0" or content[at + 8 : at + 10] == exif[8:10]:
            _blank_directories(content, at)
        at = content.find(head, at + 1)


# ---------------------------------------------------------------- EXIF


def _blank_directories(content: bytearray, start: int) -> None:
    """Blank what is private in the TIFF structure that begins at a byte of the content."""
    order = "<" if content[start : start + 2] == b"II" else ">"
    waiting = [(struct.unpack_from(f"{order}I", content, start + 4)[0], False)]
    seen: set[int] = set()
    while waiting:
        offset, is_place = waiting.pop()
        if offset in seen or not 0 < offset < len(content) - start - 2:
            continue
        seen.add(offset)
        at = start + offset
        (entries,) = struct.unpack_from(f"{order}H", content, at)
        if entries > _MOST_ENTRIES or at + 2 + 12 * entries > len(content):
            continue
        for number in range(entries):
            entry = at + 2 + 12 * number
            tag, kind, count = struct.unpack_from(f"{order}HHI", content, entry)
            (pointed,) = struct.unpack_from(f"{order}I", content, entry + 8)
            if is_place or tag in _PRIVATE:
                _blank_value(content, start, entry, _SIZES.get(kind, 1) * count, pointed)
            elif tag in (_EXIF, _GPS):
                waiting.append((pointed, tag == _GPS))
        after = at + 2 + 12 * entries
        if is_place:
            # No entry is left in it.
            content[at : at + 2] = b"\0\0"
        elif after + 4 <= len(content):
            waiting.append((struct.unpack_from(f"{order}I", content, after)[0], False))


def _blank_value(content: bytearray, start: int, entry: int, size: int, pointed: int) -> None:
    begin = start + pointed if size > 4 else entry + 8
    end = min(begin + max(size, 4), len(content))
    content[begin:end] = bytes(end - begin)


# ---------------------------------------------------------------- JPEG and PNG


def _jpeg(content: bytes) -> bytes:
    """The first picture: EXIF blanked, colour profile and coding kept, all else cut off."""
    kept = [b"\xff\xd8"]
    at = 2
    while True:
        if content[at] != 0xFF:
            raise ValueError("its segments are damaged")
        marker = content[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        (length,) = struct.unpack_from(">H", content, at + 2)
        segment = bytearray(content[at : at + 2 + length])
        body = bytes(segment[4:20])
        if marker == 0xE1 and body.startswith(b"Exif\0\0"):
            _blank_directories(segment, 10)
            kept.append(bytes(segment))
        elif _is_of_picture(marker, body):
            kept.append(bytes(segment))
        at += 2 + length
        if marker == 0xDA:
            end = _end_of_scan(content, at)
            kept.append(content[at:end])
            at = end
            if content[at + 1] == 0xD9:
                return b"".join((*kept, b"\xff\xd9"))


def _is_of_picture(marker: int, body: bytes) -> bool:
    """Whether a segment is needed to draw the picture as it is."""
    if marker == 0xE2:
        return body.startswith(b"ICC_PROFILE\0")
    return marker in (0xE0, 0xEE) or not (0xE0 <= marker <= 0xEF or marker == 0xFE)


def _end_of_scan(content: bytes, at: int) -> int:
    """Where the coded data end: the next marker that is neither a stuffed byte nor a restart."""
    while True:
        at = content.index(b"\xff", at)
        if content[at + 1] == 0 or 0xD0 <= content[at + 1] <= 0xD7:
            at += 2
        elif content[at + 1] == 0xFF:
            at += 1
        else:
            return at


def _png(content: bytes) -> bytes:
    kept = [_PNG]
    at = len(_PNG)
    while at + 8 <= len(content):
        length, kind = struct.unpack_from(">I4s", content, at)
        data = bytearray(content[at + 8 : at + 8 + length])
        at += 12 + length
        if kind in (b"tEXt", b"zTXt", b"iTXt", b"tIME"):
            continue
        if kind == b"eXIf":
            _blank_directories(data, 0)
        check = zlib.crc32(kind + bytes(data))
        kept.append(struct.pack(">I4s", length, kind) + bytes(data) + struct.pack(">I", check))
        if kind == b"IEND":
            break
    return b"".join(kept)
