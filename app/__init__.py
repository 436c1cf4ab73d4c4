"""The web app: pages read widgets, call the pipeline and show records."""
