"""The scout's page, part by part."""
