"""Hostile files for every reader."""
