"""One file per step, oldest first; a step that was released is never changed."""
