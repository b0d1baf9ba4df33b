"""How every figure looks, and the one writer that puts a figure on disk.

Figures are made at the size they are printed at: 89 mm (one column) or 183 mm
(two columns). The size is never trimmed to the drawing, since that changes the
width and with it every font size.
"""

from __future__ import annotations

import io
import json
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import matplotlib.style
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.transforms import ScaledTranslation
from PIL import Image

from cohortkit.checks import one_of
from cohortkit.cohort.writing import atomic_write
from cohortkit.errors import ArgumentError
from cohortkit.tables.canonical import to_csv_bytes

MM_PER_INCH = 25.4
WIDTHS_MM = (89, 183)
PAGE_MM = 246.5  # a little below the height of a journal page
FORMATS = ("pdf", "svg", "png", "tiff")
DPI = 600
SMALL_PT = 6.0

# Source: Okabe M, Ito K. Color Universal Design, 2008; values as printed in
# Wong B. Nature Methods 2011;8:441. Yellow is left out: too pale on white.
PALETTE = {
    "blue": "#0072B2",
    "vermillion": "#D55E00",
    "green": "#009E73",
    "purple": "#CC79A7",
    "orange": "#E69F00",
    "sky": "#56B4E9",
    "black": "#000000",
}
GREY = "#595959"
PALE = "#E6E6E6"
CYCLE = tuple(PALETTE.values())
MARKERS = ("o", "s", "^", "D", "v", "P", "X")

LOOK: dict[str, Any] = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 7.0,
    "axes.titlesize": 7.0,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 7.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.6,
    "xtick.labelsize": SMALL_PT,
    "ytick.labelsize": SMALL_PT,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "legend.fontsize": SMALL_PT,
    "legend.frameon": False,
    "lines.linewidth": 1.0,
    "lines.markersize": 3.0,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "savefig.bbox": None,
    "pdf.fonttype": 42,
    "ps.fonttype": 42,
    # Paths, so that an SVG looks the same on a machine without the font.
    "svg.fonttype": "path",
    "svg.hashsalt": "cohortkit",
    "text.parse_math": False,
    "axes.unicode_minus": True,
}

_METADATA: dict[str, dict[str, Any]] = {
    "pdf": {"Creator": "cohortkit", "Producer": None, "CreationDate": None},
    "svg": {"Creator": "cohortkit", "Date": None},
    "png": {"Software": None},
}

P = ParamSpec("P")
T = TypeVar("T")


@contextmanager
def looks() -> Iterator[None]:
    """The figure style, for the length of a ``with`` block.

    Starts from the library's own defaults, so that a reader's settings change
    neither a figure nor its bytes, and gives the reader's settings back.
    """
    with matplotlib.style.context(LOOK, after_reset=True):
        yield


def styled(draw: Callable[P, Figure]) -> Callable[P, Figure]:
    """Run a drawing function inside `looks`, and fix the layout of what it drew."""

    @wraps(draw)
    def inside(*args: P.args, **kwargs: P.kwargs) -> Figure:
        with looks():
            return settle(draw(*args, **kwargs))

    return inside


def settle(figure: Figure) -> Figure:
    """Lay a figure out once and keep it so.

    Otherwise every save lays it out again, a little differently each time. The
    solver behind the layout does not repeat to the last bit, so positions are
    rounded to a millionth of the figure.
    """
    if isinstance(figure.get_layout_engine(), ConstrainedLayoutEngine):
        figure.draw_without_rendering()
        figure.set_layout_engine("none")
        for axes in figure.axes:
            left, bottom, width, height = axes.get_position(original=True).bounds
            axes.set_position((round(left, 6), round(bottom, 6), round(width, 6), round(height, 6)))
    return figure


def new_figure(width_mm: int, height_mm: float) -> Figure:
    """An empty figure of an exact size, outside any window or notebook state.

    Parameters
    ----------
    width_mm
        89 or 183.
    height_mm
        Up to 247, the height of a journal page.

    Raises
    ------
    ArgumentError
        If the size is not one a journal takes.
    """
    one_of("width_mm", width_mm, WIDTHS_MM)
    if not 0 < height_mm <= 247:
        raise ArgumentError(
            "A figure is at most 247 mm high",
            found=f"{height_mm} mm",
            next_step="give a smaller height, or draw fewer panels",
        )
    size = (width_mm / MM_PER_INCH, height_mm / MM_PER_INCH)
    return Figure(figsize=size, layout="constrained")


def of_width(choices: Mapping[int, T], width_mm: int) -> T:
    """What a figure of that width takes, from one choice for each width it can have.

    Raises
    ------
    ArgumentError
        If the figure cannot have that width.
    """
    one_of("width_mm", width_mm, tuple(choices))
    return choices[width_mm]


def at_most(names: Sequence[str], most: int, width_mm: int) -> None:
    """An error if a figure of that width has no room for all the strata.

    Raises
    ------
    ArgumentError
        If there are more than `most`.
    """
    if len(names) > most:
        raise ArgumentError(
            f"A figure {width_mm} mm wide has room for {most} strata",
            found=f"{len(names)}: {', '.join(names)}",
            next_step="draw fewer in one figure, or take the other width",
        )


def add_footer(figure: Figure, lines: Sequence[str]) -> None:
    """Write lines under all panels, wrapped to the width of the figure.

    The figure keeps its size; the panels give way. Used for the release stamp
    and the cautions, so that no picture floats free from its data.
    """
    width_in, height_in = figure.get_size_inches()
    characters = int(width_in * 72 / (SMALL_PT * 0.56))
    wrapped = [part for line in lines for part in textwrap.wrap(line, characters)]
    if not wrapped:
        return
    share = (len(wrapped) * SMALL_PT * 1.25 + 4) / 72 / height_in
    engine = figure.get_layout_engine()
    if isinstance(engine, ConstrainedLayoutEngine):
        engine.set(rect=(0, share, 1, 1 - share))  # type: ignore[call-arg]
    text = figure.text(
        0.01, 2 / 72 / height_in, "\n".join(wrapped), fontsize=SMALL_PT, color=GREY, va="bottom"
    )
    text.set_in_layout(False)


def footer_height_mm(lines: Sequence[str], width_mm: int) -> float:
    """Height that `add_footer` takes, so that a figure can be made that much taller."""
    characters = int(width_mm / MM_PER_INCH * 72 / (SMALL_PT * 0.56))
    n = sum(len(textwrap.wrap(line, characters)) for line in lines)
    return (n * SMALL_PT * 1.25 + 4) / 72 * MM_PER_INCH if n else 0.0


def panel_title(axes: Axes, letter: str, words: str, below: str = "") -> None:
    """Put the panel's letter and what it shows above it, and its n below that."""
    axes.set_title(f"{letter}  {words}" if letter else words, pad=4 + 8 * len(below.splitlines()))
    if below:
        axes.annotate(
            below,
            (0, 1),
            xycoords="axes fraction",
            xytext=(0, 3),
            textcoords="offset points",
            va="bottom",
            fontsize=SMALL_PT,
            color=GREY,
        )


def legend_below(axes: Axes, left: float, **options: Any) -> None:
    """Put the legend under a panel, below the numbers and the label of its axis.

    `left` is where it starts, as a share of the panel's width. The distance is in
    points, so that a low panel keeps its axis label as readable as a high one.
    """
    points = 26 if axes.get_xlabel() else 18
    under = ScaledTranslation(0, -points / 72, axes.figure.dpi_scale_trans)
    axes.legend(
        loc="upper left",
        bbox_to_anchor=(left, 0.0),
        bbox_transform=axes.transAxes + under,
        borderpad=0,
        borderaxespad=0,
        **options,
    )


def side_notes(axes: Axes, paragraphs: Sequence[str], characters: int = 24) -> None:
    """Write paragraphs to the right of a panel, where they cover no mark."""
    text = "\n\n".join(
        "\n".join(textwrap.fill(line, characters) for line in paragraph.splitlines())
        for paragraph in paragraphs
    )
    axes.annotate(
        text,
        (1.02, 1),
        xycoords="axes fraction",
        va="top",
        fontsize=SMALL_PT,
        annotation_clip=False,
    )


def no_data(axes: Axes, reason: str) -> None:
    """Say in the panel why it is empty. An empty panel is never left blank."""
    axes.set_axis_off()
    axes.text(
        0.5,
        0.5,
        textwrap.fill(reason, 48),
        ha="center",
        va="center",
        color=GREY,
        fontsize=SMALL_PT,
        transform=axes.transAxes,
    )


def picture(figure: Figure, form: str) -> bytes:
    """A figure's bytes as pdf, svg, png or tiff, at exactly the figure's size.

    Raises
    ------
    ArgumentError
        If the format is another word.
    """
    one_of("form", form, FORMATS)
    with looks():
        return _rendered(settle(figure), form)


def _rendered(figure: Figure, form: str) -> bytes:
    buffer = io.BytesIO()
    if form != "tiff":
        figure.savefig(buffer, format=form, dpi=DPI, metadata=_METADATA[form])
        return buffer.getvalue()
    figure.savefig(buffer, format="png", dpi=DPI, metadata=_METADATA["png"])
    with Image.open(buffer) as image:
        out = io.BytesIO()
        image.convert("RGB").save(out, format="TIFF", compression="tiff_lzw", dpi=(DPI, DPI))
    return out.getvalue()


def save_figure(
    figure: Figure,
    folder: str | Path,
    name: str,
    source: pd.DataFrame,
    stamp: Mapping[str, Any],
    formats: Sequence[str] = ("pdf", "svg", "png"),
) -> dict[str, Path]:
    """Write a figure, the numbers behind it and its stamp, all under one name.

    Parameters
    ----------
    figure
        From `new_figure`; saved at exactly its own size.
    folder
        Made if it is not there.
    name
        File name without ending, as ``fig2_agreement``.
    source
        One row per mark; written as ``<name>.csv``, every field quoted.
    stamp
        What the figure rests on; written as ``<name>.json``. NaN becomes null.
    formats
        Any of pdf, svg, png, tiff. Raster images have 600 dots per inch.

    Returns
    -------
    dict
        File ending to path.

    Notes
    -----
    The same figure gives the same bytes: no dates, no random ids. Fonts in PDF
    are TrueType (type 42).
    """
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    for form in formats:
        one_of("formats", form, FORMATS)
    files = {form: picture(figure, form) for form in formats}
    files["csv"] = to_csv_bytes(source)
    text = json.dumps(plain(stamp), indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False)
    files["json"] = (text + "\n").encode()
    paths = {form: target / f"{name}.{form}" for form in files}
    for form, path in paths.items():
        atomic_write(path, files[form])
    return paths


def plain(value: Any) -> Any:
    """`value` in JSON's own terms: NaN and infinity become null, keys text."""
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float):
        return value if abs(value) < float("inf") else None
    if value is None or isinstance(value, (bool, int, str)):
        return value
    return str(value)
