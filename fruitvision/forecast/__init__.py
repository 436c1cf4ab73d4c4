"""A block today becomes a crop at the pick."""
