"""What a record is: the table format, its rules, grades derived from it, and its codebook.

The one copy of the format lies in ``schemas/`` as JSON. Everything here is made from it.
"""
