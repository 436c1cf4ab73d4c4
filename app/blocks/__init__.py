"""The Blocks page: all blocks of the farm, and one block."""
