"""fruitvision: row photos in, pack-out forecast out."""

__version__ = "0.1.0"
