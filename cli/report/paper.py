"""Reports drawn on paper: sheets of a PDF, and one picture that says it all."""

from __future__ import annotations

import io
from functools import partial
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from cli.pictures import marks, plots
from cli.report.page import Answer, Changes, Explored, Lines, Measured, Parameters, Verdicts
from cli.report.parts import Plot
from cli.terminal.cautions import Caution

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from cli.report.page import Block, Page, VerdictRow
    from cli.report.parts import Strip

_WIDTH, _HEIGHT = 8.27, 11.69  # A4 [inch]
_LEFT, _RIGHT, _TOP, _BOTTOM = 0.6, 7.67, 11.2, 0.55
_PER_LINE = 118  # letters of the text size over the width of the text
TONES = {
    "inside": "#00563f", "unchanged": "#00563f", "outside": "#8f3700", "undecided": "#5f4400",
    "changed": "#6a215b",
}  # fmt: skip
_wrapped = partial(wrap, break_on_hyphens=False)
_BAND = "#d5ebe2"
_SOFT = "#444444"


class _Sheets:
    """Sheets that fill from the top; what does not fit goes to the next one."""

    def __init__(self) -> None:
        self.figures: list[Figure] = []
        self._next()

    def _next(self) -> None:
        from matplotlib.figure import Figure

        self.figure = Figure(figsize=(_WIDTH, _HEIGHT))
        self.figures.append(self.figure)
        self.y = _TOP

    def room(self, height: float) -> None:
        """Go to the next sheet unless so much is left on this one [inch]."""
        if self.y - height < _BOTTOM:
            self._next()

    def write(self, x: float, text: str, size: float = 8.2, **more: Any) -> None:
        """Write text at a place of the current line [inch]; it is never taken for formulas."""
        self.figure.text(
            x / _WIDTH, self.y / _HEIGHT, plots.drawable(text),
            fontsize=size, va="top", parse_math=False, **more,
        )  # fmt: skip

    def line(self, height: float) -> None:
        self.y -= height

    def paragraph(self, text: str, size: float = 8.2, *, start: str = "", **more: Any) -> None:
        letters = round(_PER_LINE * 8.2 / size)
        indent = "   " if start else ""
        for row in _wrapped(text, letters, initial_indent=start, subsequent_indent=indent):
            self.room(size / 50)
            self.write(_LEFT, row, size, **more)
            self.line(size / 52)
        self.line(0.04)

    def heading(self, text: str, beside: float = 0.5) -> None:
        """Write a heading that stays with ``beside`` inches of what follows."""
        self.room(0.4 + beside)
        self.line(0.12)
        self.write(_LEFT, text, 10, fontweight="bold")
        self.line(0.2)
        from matplotlib.lines import Line2D

        y = self.y / _HEIGHT
        self.figure.add_artist(
            Line2D([_LEFT / _WIDTH, _RIGHT / _WIDTH], [y, y], color="#24566b", linewidth=1)
        )
        self.line(0.06)

    def axes(self, x: float, width: float, height: float) -> Axes:
        """Place axes at the current line; the line goes down by their height."""
        self.room(height)
        self.line(height)
        return self.figure.add_axes(
            (x / _WIDTH, self.y / _HEIGHT, width / _WIDTH, height / _HEIGHT)
        )


def sheets(page: Page) -> bytes:
    """Write a report as a PDF of A4 sheets."""
    with plots.style():
        sheets = _Sheets()
        sheets.write(_LEFT, _cut(page.title, 45), 16, fontweight="bold")
        sheets.line(0.32)
        sheets.paragraph(page.subtitle, 8.2, color=_SOFT)
        sheets.paragraph(page.lead, 10)
        for part in page.parts:
            first = getattr(part.blocks[0], "plot", part.blocks[0])
            sheets.heading(part.title, _height(first) + 0.4 if isinstance(first, Plot) else 0.5)
            for block in part.blocks:
                _block(sheets, block)
        return _bound(sheets, page)


def _block(sheets: _Sheets, block: Block) -> None:
    match block:
        case str():
            sheets.paragraph(block)
        case Plot():
            _plot(sheets, block)
        case Explored():
            _plot(sheets, block.plot)
        case Lines():
            _lines(sheets, block)
        case Answer():
            sheets.paragraph(f"{block.word} {block.text}")
        case Changes():
            _lines(sheets, block.lines())
        case Parameters():
            _lines(sheets, block.lines(1))
        case Verdicts():
            _verdicts(sheets, block)
        case Measured():
            for name, text in block.how:
                sheets.paragraph(f"{name}: {text}", 7.6)
            _lines(sheets, block.lines())
        case Caution():
            sheets.paragraph(f"{block.title}. {block.text}", 7.6)
        case _:
            for item in block:
                step = f" Next: {item.step}" if item.step else ""
                sheets.paragraph(f"{item.text}{step}", start="•  ")


def _height(plot: Plot) -> float:
    """Find how high a picture stands: as wide as the text, or at most 0.45 of a sheet [inch]."""
    size = plot.figure.get_size_inches()
    return float(min((_RIGHT - _LEFT) * size[1] / size[0], 0.45 * (_TOP - _BOTTOM)))


def _plot(sheets: _Sheets, plot: Plot) -> None:
    height = _height(plot)
    sheets.room(height + 0.4)
    width = height * plot.figure.get_figwidth() / plot.figure.get_figheight()
    sheets.line(height)
    _draw_inside(sheets.figure, plot.figure, (_LEFT + _RIGHT - width) / 2, sheets.y, width)
    sheets.line(0.04)
    sheets.paragraph(plot.caption, 7.4, color=_SOFT)


def _lines(sheets: _Sheets, block: Lines) -> None:
    """Write a table whose columns share the width by what stands in them; the widest wraps."""
    rows = [block.titles, *block.rows] if block.titles else list(block.rows)
    longest = [min(max(len(row[k]) for row in rows), 60) + 2 for k in range(len(block.right))]
    while sum(longest) > _PER_LINE:
        longest[longest.index(max(longest))] -= 1
    letters = [int(one * min(_PER_LINE / sum(longest), 1.6)) for one in longest]
    inch = (_RIGHT - _LEFT) / _PER_LINE
    ends = [_LEFT + inch * sum(letters[: k + 1]) for k in range(len(letters))]
    for number, row in enumerate(rows):
        cells = [_wrapped(c, n - 1) or [""] for c, n in zip(row, letters, strict=True)]
        sheets.room(0.15 * max(map(len, cells)))
        for line in range(max(map(len, cells))):
            for k, cell in enumerate(cells):
                text = cell[line] if line < len(cell) else ""
                x = ends[k] - 2 * inch if block.right[k] else ends[k] - inch * letters[k]
                head = bool(block.titles) and number == 0
                sheets.write(x, text, 7.6, ha="right" if block.right[k] else "left",
                             color=_SOFT if head else TONES.get(text, "black"))  # fmt: skip
            sheets.line(0.135)
        sheets.line(0.02)
    sheets.line(0.05)


def _draw_inside(sheet: Figure, inner: Figure, left: float, bottom: float, width: float) -> None:
    """Draw a figure on a sheet of a PDF by the PDF's own commands: its lines stay lines.

    The matrix of the page is changed for the time of drawing (ISO 32000-1:2008, 8.3.4), and changed
    back by its inverse: the backend keeps count of saved states.

    Args:
        left: Place on the sheet [inch].
        bottom: Place on the sheet [inch].
        width: On the sheet [inch].
    """
    from matplotlib.artist import Artist
    from matplotlib.backends.backend_pdf import Op

    x, y, k = 72 * left, 72 * bottom, width / inner.get_figwidth()

    class Inner(Artist):
        def draw(self, renderer: Any) -> None:
            if not hasattr(renderer, "file"):
                return  # laid out for now, not written

            def change(*matrix: float) -> None:
                renderer.file.output(*renderer.gc.finalize(), *matrix, Op.concat_matrix)

            inner.set_dpi(72)  # a pixel is a point of the page
            change(k, 0, 0, k, x, y)
            inner.draw(renderer)
            change(1 / k, 0, 0, 1 / k, -x / k, -y / k)

    sheet.add_artist(Inner())


def _image(axes: Axes, figure: Figure) -> None:
    """Draw a figure as a picture inside another one."""
    from matplotlib.image import imread

    drawn = io.BytesIO()
    figure.savefig(drawn, format="png", dpi=200, facecolor="white")
    drawn.seek(0)
    axes.imshow(imread(drawn), aspect="auto", interpolation="antialiased")
    axes.set_axis_off()


def _verdicts(sheets: _Sheets, block: Verdicts) -> None:
    for v in block.verdicts:
        sheets.room(0.3)
        sheets.write(_LEFT, f"{v.symbol}  {v.words}", 8)
        sheets.write(5.55, v.value, 8)
        sheets.write(6.75, v.word, 8, color=TONES[v.word], fontweight="bold")
        sheets.line(0.13)
        sheets.write(5.55, v.interval, 6.8, color=_SOFT)
        sheets.write(2.65, f"allowed {v.allowed}", 6.8, color=_SOFT)
        sheets.y += 0.14
        draw_strip(sheets.axes(2.6, 2.8, 0.14), v.strip, v.word)
        sheets.line(0.16)


def draw_strip(axes: Axes, strip: Strip, word: str) -> None:
    """Draw a verdict on one line: allowed band, what was meant, interval and value."""
    axes.set_xlim(0, 360)
    axes.set_ylim(-1, 1)
    axes.set_axis_off()
    axes.axhline(0, color=plots.FAINT, linewidth=1.2)
    axes.axvspan(*strip.band, color=_BAND, linewidth=0)
    for edge in strip.edges:
        axes.axvline(edge.x, color=TONES["inside"], linewidth=1)
    if strip.meant is not None:
        axes.axvline(strip.meant, color="black", linewidth=0.9, linestyle=(0, (2, 2)))
    if strip.value is not None:
        axes.plot(strip.reach, (0, 0), color=TONES[word], linewidth=2.6, solid_capstyle="round")
        axes.plot([strip.value], [0], color=TONES[word], marker="o", markersize=5)


def _bound(sheets: _Sheets, page: Page) -> bytes:
    """Bind all sheets in one PDF, each with its number."""
    from matplotlib.backends.backend_pdf import PdfPages

    buffer = io.BytesIO()
    count = len(sheets.figures)
    made = f"freeair {page.version}"
    about = {"Title": plots.drawable(page.title), "Creator": made, "CreationDate": None}
    with PdfPages(buffer, metadata=about) as book:
        for number, figure in enumerate(sheets.figures, start=1):
            foot = (
                f"Made with {made} on {page.made_on}; intervals are 95 % coverage intervals. "
                f"Sheet {number} of {count}"
            )
            figure.text(_LEFT / _WIDTH, 0.3 / _HEIGHT, foot, fontsize=6.8, color=_SOFT,
                        parse_math=False)  # fmt: skip
            marks.settle(figure)
            book.savefig(figure)
    return buffer.getvalue()


def picture(page: Page) -> bytes:
    """Draw title, result, verdicts and pictures of a report below each other in one PNG."""
    from matplotlib.figure import Figure

    blocks = [getattr(b, "plot", b) for part in page.parts if part.pictured for b in part.blocks]
    figures = [block.figure for block in blocks if isinstance(block, Plot)]
    verdicts = [v for block in blocks if isinstance(block, Verdicts) for v in block.verdicts]
    with plots.style():
        told = _wrapped(page.lead, 96)
        width = max((one.get_figwidth() for one in figures), default=7.4)
        below = sum(one.get_figheight() for one in figures)
        height = 0.55 + 0.2 * len(told) + 0.15 + 0.34 * len(verdicts) + below
        figure = Figure(figsize=(width, height))

        def write(y: float, text: str, size: float, **more: Any) -> None:
            figure.text(0.25 / width, y / height, plots.drawable(text), fontsize=size, va="top",
                        parse_math=False, **more)  # fmt: skip

        write(height - 0.15, _cut(page.title, 45), 15, fontweight="bold")
        for k, row in enumerate(told):
            write(height - 0.5 - 0.2 * k, row, 9.5)
        for k, v in enumerate(verdicts):
            _verdict(figure, below + 0.34 * (len(verdicts) - k), v)
        top = below
        for one in figures:
            top -= one.get_figheight()
            share = one.get_figheight() / height
            _image(figure.add_axes((0.01, top / height + 0.005, 0.97, share - 0.01)), one)
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png", dpi=150, facecolor="white")
        return buffer.getvalue()


def _verdict(figure: Figure, y: float, v: VerdictRow) -> None:
    width, height = figure.get_figwidth(), figure.get_figheight()

    def write(x: float, text: str, **more: Any) -> None:
        figure.text(x / width, (y - 0.05) / height, text, fontsize=9.5, va="top",
                    parse_math=False, **more)  # fmt: skip

    write(0.25, v.symbol, fontweight="bold")
    write(4.9, v.value)
    write(6.2, v.word, color=TONES[v.word], fontweight="bold")
    draw_strip(figure.add_axes((1.45 / width, (y - 0.22) / height, 3.2 / width, 0.2 / height)),
               v.strip, v.word)  # fmt: skip


def _cut(text: str, letters: int) -> str:
    return text if len(text) <= letters else text[: letters - 1] + "…"
