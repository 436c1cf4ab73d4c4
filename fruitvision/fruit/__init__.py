"""Fruit in a picture: found by a detector, then measured."""
