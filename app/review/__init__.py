"""Trees and their photos: what was found in them, and putting it right."""
