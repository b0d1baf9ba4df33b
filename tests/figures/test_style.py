import io
import json
import re

import matplotlib as mpl
import pandas as pd
import pytest
from PIL import Image

from cohortkit.errors import ArgumentError
from cohortkit.figures import style

SOURCE = pd.DataFrame({"x": [1.0, 2.5], "label": ["a", 'b "quoted"']})
STAMP = {"release": "abc", "seed": 1, "nothing": float("nan")}


def small_figure(width=89, height=60.0):
    with style.looks():
        figure = style.new_figure(width, height)
        axes = figure.subplots()
        axes.plot([0, 1], [0.2, 1.0], label="gap (mm)")
        axes.set_xlabel("mean of two readings (mm)")
        style.add_footer(figure, ["Release abc. " * 12])
    return figure


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("figure")
    forms = ("pdf", "svg", "png", "tiff")
    return style.save_figure(small_figure(), folder, "small", SOURCE, STAMP, formats=forms)


@pytest.mark.parametrize("width", style.WIDTHS_MM)
def test_pdf_page_has_the_exact_size(tmp_path, width):
    paths = style.save_figure(small_figure(width), tmp_path, "f", SOURCE, STAMP, formats=("pdf",))
    box = re.search(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+)", paths["pdf"].read_bytes())
    sizes = [float(points) / 72 * 25.4 for points in box.groups()]
    assert sizes == pytest.approx([width, 60], abs=0.1)  # by hand: one point is 1/72 inch


def test_svg_has_the_exact_size_and_no_text_that_needs_a_font(written):
    text = written["svg"].read_text(encoding="utf-8")
    width, height = re.search(r'width="([\d.]+)pt" height="([\d.]+)pt"', text).groups()
    sizes = [float(points) / 72 * 25.4 for points in (width, height)]
    assert sizes == pytest.approx([89, 60], abs=0.1)
    assert "<text" not in text
    assert "<dc:date>" not in text


def test_raster_images_have_600_dots_per_inch(written):
    for form in ("png", "tiff"):
        with Image.open(written[form]) as image:
            millimetres = [pixels / 600 * 25.4 for pixels in image.size]
            assert image.info["dpi"][0] == pytest.approx(600, abs=0.5)
        assert millimetres == pytest.approx([89, 60], abs=0.1)


def test_tiff_is_compressed(written):
    with Image.open(written["tiff"]) as image:
        assert image.info["compression"] == "tiff_lzw"


def test_pdf_fonts_are_truetype_and_undated(written):
    data = written["pdf"].read_bytes()
    assert b"/CIDFontType2" in data
    assert b"/Type3" not in data
    assert b"CreationDate" not in data


def test_two_saves_give_the_same_bytes(tmp_path, written):
    forms = ("pdf", "svg", "png", "tiff")
    again = style.save_figure(small_figure(), tmp_path, "small", SOURCE, STAMP, formats=forms)
    assert {f: p.read_bytes() for f, p in again.items()} == {
        f: p.read_bytes() for f, p in written.items()
    }


def test_the_readers_settings_change_nothing_and_come_back(tmp_path, written):
    with mpl.rc_context({"pdf.fonttype": 3, "font.size": 20.0, "savefig.bbox": "tight"}):
        again = style.save_figure(small_figure(), tmp_path, "small", SOURCE, STAMP)
        assert mpl.rcParams["font.size"] == 20.0
        assert mpl.rcParams["savefig.bbox"] == "tight"
    assert again["pdf"].read_bytes() == written["pdf"].read_bytes()


def test_source_and_stamp_stand_beside_the_picture(written):
    back = pd.read_csv(io.BytesIO(written["csv"].read_bytes()))
    assert back.to_dict("list") == SOURCE.to_dict("list")
    assert json.loads(written["json"].read_text()) == {"release": "abc", "seed": 1, "nothing": None}


def test_no_font_is_below_six_points():
    figure = small_figure()
    sizes = [t.get_fontsize() for t in figure.findobj(mpl.text.Text) if t.get_text()]
    assert min(sizes) >= 6


def test_the_footer_lies_below_the_panels_and_inside_the_page():
    figure = small_figure()
    figure.draw_without_rendering()
    footer = figure.texts[0].get_window_extent()
    panel = figure.axes[0].get_tightbbox()
    assert footer.y0 >= 0
    assert footer.x1 <= figure.bbox.x1
    assert footer.y1 <= panel.y0


@pytest.mark.parametrize(("width", "height"), [(100, 60), (89, 0), (89, 300)])
def test_a_size_that_no_journal_takes_is_refused(width, height):
    with pytest.raises(ArgumentError):
        style.new_figure(width, height)


def test_an_unknown_format_is_refused_before_anything_is_written(tmp_path):
    with pytest.raises(ArgumentError, match="pdf"):
        style.save_figure(small_figure(), tmp_path, "f", SOURCE, STAMP, formats=("pdf", "bmp"))
    assert list(tmp_path.iterdir()) == []


def test_palette_colours_differ_in_lightness_or_hue():
    assert len(set(style.CYCLE)) == len(style.CYCLE) == len(style.MARKERS)
