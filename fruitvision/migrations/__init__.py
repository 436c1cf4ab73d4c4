"""Steps from one shape of the farm's database to the next; they travel in the wheel."""
