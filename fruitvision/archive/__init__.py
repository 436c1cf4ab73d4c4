"""A whole farm as one file that can be kept, carried elsewhere and restored.

An archive is a ZIP file: `manifest.json`, the database as it was at one moment, and all files of
the farm's folder. What is made again by itself (`worked-out`, `thumbnails`) stays out, and so do
accounts with their passwords. Names of people (who changed what) and the places of photos are in
it: it is for the farm alone.
"""

from __future__ import annotations

from fruitvision.archive.make import MadeArchive, make_archive
from fruitvision.archive.manifest import HOLDS, LeftOut, Manifest
from fruitvision.archive.restore import restore_archive

__all__ = ["HOLDS", "LeftOut", "MadeArchive", "Manifest", "make_archive", "restore_archive"]
