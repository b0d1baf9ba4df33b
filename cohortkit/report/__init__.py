"""The plan's questions answered from a release, and pages, tables and figures made of the answers."""
