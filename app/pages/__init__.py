"""One file a page: widgets, one call into the pipeline, records shown."""
