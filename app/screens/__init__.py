"""One file a page of the app: widgets, one call into the pipeline, records shown."""
