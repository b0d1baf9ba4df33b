"""The words for every reason a record can be refused or remarked on.

One code, one sentence, one next step; the same everywhere a code is shown.
"""

from __future__ import annotations

REASONS: dict[str, tuple[str, str]] = {
    # how the record is written down
    "extra_field": (
        "The line has {found} cells, the header names {wanted}",
        "remove the surplus cell, or put the cell that holds the delimiter in quotes; in a"
        " to_correct file, empty cohortkit_surplus once every cell stands under its heading",
    ),
    "short_row": (
        "The line has {found} cells, the header names {wanted}",
        "add the missing cells; an empty cell still needs its delimiter; in a to_correct file,"
        " replace or empty every '(no cell)' once every cell stands under its heading",
    ),
    "unclosed_quote": (
        "A quoted cell is not closed, or goes on after its closing quote",
        "close the quote, and write a quote inside a quoted cell twice",
    ),
    "stray_quote": (
        "A quote stands inside a cell that is not quoted as a whole",
        "put the whole cell in quotes and write the inner quote twice",
    ),
    "bare_carriage_return": (
        "A carriage return stands outside quotes and would split the line",
        "remove it, or put the cell in quotes",
    ),
    "nul_character": ("A cell holds a NUL character", "delete the character"),
    "undecodable_byte": (
        "Byte {byte} does not exist in the declared encoding",
        "change 'encoding' of this source in the mapping to the one the file was saved in"
        " ('cohortkit draft-mapping FILE' shows a guess), or retype the cell",
    ),
    "cell_too_long": (
        "A cell is longer than {limit} characters",
        "check for a missing quote or delimiter, or leave the text out",
    ),
    "hidden_row": (
        "The row is hidden in the sheet",
        "unhide or delete it, or set accept_hidden = true for this source",
    ),
    "merged_cells": (
        "The row is part of merged cells, so some of its cells only look filled",
        "unmerge them and fill each cell",
    ),
    # what one cell says
    "required_missing": ("{field} is missing and has to be given", "fill in the cell"),
    "excel_error": (
        "The cell holds a spreadsheet error, which is not the same as missing",
        "mend the formula in the sheet, or empty the cell if nothing was measured",
    ),
    "formula_no_value": (
        "The cell holds a formula whose result was never stored",
        "open and save the file in the spreadsheet program, or type the value",
    ),
    "digits_lost": (
        "The sheet holds a number of more than 15 digits, of which the last are lost",
        "type it as text",
    ),
    "date_where_text_expected": (
        "The cell is a date where {field} is expected; a spreadsheet turns labels into dates",
        "retype the label and format the cell as text",
    ),
    "date_as_serial_number": (
        "The cell holds a spreadsheet's serial number instead of a date",
        "format the cell as a date",
    ),
    "formula_text": (
        "The text begins like a spreadsheet formula and is not {field}",
        "type the value itself",
    ),
    "not_a_number": ("The text is not a number, and {field} has to be one", "type the number"),
    "not_a_whole_number": ("{field} has to be a whole number", "type a whole number"),
    "ambiguous_thousands": (
        "'{mark}' before three digits may be a decimal or a thousands mark",
        "write the number without a thousands mark and with '{decimal}' as decimal mark",
    ),
    "thousands_mark": (
        "The number holds a thousands mark",
        "write the number without a thousands mark",
    ),
    "wrong_decimal_mark": (
        "The number uses '{mark}', the mapping declares '{decimal}' as decimal mark",
        "write '{decimal}', or declare the other mark if the whole file uses it",
    ),
    "exponent_notation": (
        "The number is written with an exponent, as spreadsheets write long numbers",
        "write all its digits",
    ),
    "number_too_long": ("The number has more than 30 characters", "check the cell"),
    "unit_in_cell": (
        "A unit or other word stands behind the number",
        "write the number alone; its unit belongs in the mapping",
    ),
    "limit_not_declared": (
        "The cell gives a limit instead of a number",
        "name this text under text_is for the yes/no column that records it",
    ),
    "not_yes_or_no": (
        "{field} is yes or no, and the text is neither true nor false",
        "type true or false, or give the mapping codes for this column",
    ),
    "unknown_code": ("The text is none of the known codes: {allowed}", "use one of the codes"),
    "pattern": (
        "{field} may hold letters, digits, dot, hyphen and underscore only"
        " and begins with a letter or digit; at most 64 in all",
        "correct the code",
    ),
    "country_pattern": (
        "{field} is a two-letter country code of ISO 3166-1 in capitals",
        "correct the code",
    ),
    "id_part_missing": (
        "Part of {field} is missing, since a cell it is joined from is empty",
        "fill in the empty cell",
    ),
    "below_minimum": (
        "{field} is {value}{unit}, below the least allowed {limit}{unit}",
        "check the value and its unit",
    ),
    "above_maximum": (
        "{field} is {value}{unit}, above the largest allowed {limit}{unit}",
        "check the value and its unit",
    ),
    # dates
    "date_not_in_format": (
        "The text is not a date as declared ({date_format})",
        "write the date as declared, or correct date_format in the mapping",
    ),
    "date_out_of_range": ("The year is outside 1900 to 2100", "correct the date"),
    "date_order_doubtful": (
        "The date only fits with day and month exchanged, so {n} other dates of this column,"
        " which fit both ways, may have been typed that way too (lines {lines})",
        "find out how this column was typed and correct the dates that are exchanged",
    ),
    "no_enrolment_date": (
        "The participant has no enrolment date, so no day can be counted",
        "give the enrolment date, or correct the participant code",
    ),
    "enrolment_date_bad": (
        "The participant's enrolment date cannot be used (line {line} of source '{source}')",
        "correct the enrolment date",
    ),
    "enrolment_conflict": (
        "The participant has several enrolment dates (lines {lines} of source '{source}')",
        "keep the right one",
    ),
    # records against one another
    "duplicate_record": (
        "The record says the same again as line {line} of {file}",
        "delete one of them; set repeats = true if one row stands in many lines by design",
    ),
    "key_conflict": (
        "{key} also stands in {places} with other content",
        "keep the right record and correct or delete the others",
    ),
    "parent_missing": (
        "{parent} '{key}' is not in the data",
        "add the missing record, or correct the code",
    ),
    "parent_refused": (
        "{parent} '{key}' was refused in {place}, so this record cannot stand",
        "correct that record first",
    ),
    "other_site": (
        "The record belongs to site '{found}', the mapping to '{wanted}'",
        "correct the site code, or import the record with its own site's mapping",
    ),
    "no_block_applies": (
        "No part of the mapping takes this record: {found}",
        "correct the cell, add a block for it, or name it under ignore_when",
    ),
}
"""Code to reason and next step; words in braces are filled in."""


def words(code: str, **facts: object) -> tuple[str, str]:
    """Reason and next step of a code, with its facts filled in."""
    reason, next_step = REASONS[code]
    return reason.format(**facts), next_step.format(**facts)


def storable(text: str) -> str:
    """Text that fits UTF-8 and CSV: undecoded bytes and NUL are spelled out, all else stays."""
    shown = text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    return shown.replace("\x00", "\\x00")


def printable(text: str) -> str:
    """Text in which every character that cannot be seen is spelled out by its number."""
    return "".join(
        c if c in "\t\n" or c.isprintable() else c.encode("unicode_escape").decode()
        for c in storable(text)
    )
