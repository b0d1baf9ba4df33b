"""The journey of a record: mapping, validation, pooling, release, analysis sets.

One verb per file, in walking order. Nothing below a release reads more than one clinic;
nothing above it reads a clinic's file.
"""
