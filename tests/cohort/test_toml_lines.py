"""Keys of a TOML file and their lines."""

from __future__ import annotations

import pytest

from cohortkit.cohort.toml_lines import key_lines, line_of, shown
from tests.cohort.clinic_files import MAPPING

TEXT = '''\
a = 1
"b c" = [
  "[x]", # ]
  "y = 2",
]
text = """
z = 3
[no]
"""
[t]
d.e = { f = 1, g = [1, 2] }
[[u]]
h = "#"
[u.v]
i = 1
[[u]]
[[u.w]]
j = 1
[[u.w]]
j = 2
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("a",), 1),
        (("b c",), 2),
        (("text",), 6),
        (("t",), 10),
        (("t", "d", "e"), 11),
        (("t", "d", "e", "f"), 11),
        (("u", 0), 12),
        (("u", 0, "v", "i"), 15),
        (("u", 1, "w", 1, "j"), 20),
        (("u", 1, "w", 1, "missing"), 19),
        (("nowhere",), None),
    ],
)
def test_line_of_a_key(path, line):
    assert line_of(key_lines(TEXT), path) == line


def test_keys_inside_texts_are_none():
    assert not any("z" in path or "no" in path or "y" in path for path in key_lines(TEXT))


def test_lines_of_a_real_mapping():
    lines = key_lines(MAPPING)
    text = MAPPING.split("\n")
    for path, line in lines.items():
        last = path[-1] if isinstance(path[-1], str) else path[-2]
        assert last in text[line - 1]


def test_path_as_people_write_it():
    assert shown(("tables", 0, "columns", "gap_mm")) == "[[tables]] no. 1, columns.gap_mm"
    assert shown(("tables", 1, "variants", 2)) == "[[tables]] no. 2, [[tables.variants]] no. 3"
    assert shown(("rows", "sites", 0, "country")) == "[[rows.sites]] no. 1, country"
    assert shown(("sources", "scans", "missing", 1)) == "sources.scans.missing (entry 2)"
    assert shown(()).startswith("top level")
