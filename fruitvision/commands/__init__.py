"""The sub-commands, one module a group: thin, over the library."""
