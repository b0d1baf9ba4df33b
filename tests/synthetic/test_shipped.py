"""The folder that ships."""

from __future__ import annotations

from cohortkit.cohort.mapping import read_mapping
from cohortkit.journey import INVENTED
from cohortkit.synthetic.clinics import LAYOUTS
from cohortkit.synthetic.shipped import write_cohort
from cohortkit.tables.schema import shipped_folder


def test_everything_is_written_anew_as_it_ships(tmp_path):
    written = write_cohort(tmp_path, scale=2)
    shipped = shipped_folder("synthetic_cohort")
    assert {p.name for p in written} == {p.name for p in (shipped / "truth").iterdir()}
    assert {p.name for p in (tmp_path / "clinics").iterdir()} == set(LAYOUTS)
    for path in written:
        if path.name != "truth.json":  # the shipped one rests on a larger twin
            assert path.read_bytes() == (shipped / "truth" / path.name).read_bytes()


def test_the_readme_and_the_key_say_that_they_are_invented():
    shipped = shipped_folder("synthetic_cohort")
    text = (shipped / "README.md").read_text(encoding="utf-8")
    assert "All of it is invented" in text
    key = bytes.fromhex((shipped / "invented_hmac_key.txt").read_text(encoding="ascii").strip())
    assert key == b"INVENTED KEY NOT FOR REAL DATA !"
    assert "never use it for real data" in text


def test_every_mapping_carries_the_notice_into_a_release():
    clinics = shipped_folder("synthetic_cohort") / "clinics"
    for site in LAYOUTS:
        assert read_mapping(clinics / site / "mapping.toml").notice == INVENTED
