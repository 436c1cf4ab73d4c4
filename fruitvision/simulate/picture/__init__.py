"""The picture layer: the trees of a season as photos with their truth."""
