"""A picture as a list of marks in pixels, and its two writers: SVG text and matplotlib (PNG, PDF).

A picture is laid out once; report, card, page and files show the same marks. Colours are names of
`look.PAPER`; x runs right, y runs down, sizes are pixels (72 to the inch in a PDF). All text is measured in
DejaVu Sans, which is as wide as any face a browser would put in its place, so what does not overlap here does
not overlap there.
"""

from __future__ import annotations

import base64
import io
import threading
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, lru_cache
from html import escape
from pathlib import Path
from typing import Any, Literal

import numpy as np

from routeplan.output.look import PAPER

ALIGNED: dict[str, Literal["left", "center", "right"]] = {"start": "left", "middle": "center", "end": "right"}
FONTS = "'DejaVu Sans',Verdana,'Segoe UI',sans-serif"


@dataclass(frozen=True)
class Line:
    """Polylines of one style; `paths` are (k, 2) arrays. dash: on, off, ... [px]; round: round ends and joins."""

    paths: tuple[np.ndarray, ...]
    color: str = "ink"
    width: float = 1.0
    dash: tuple[float, ...] = ()
    round: bool = False
    opacity: float = 1.0
    role: str = ""


@dataclass(frozen=True)
class Area:
    """A filled outline of one or more closed rings; holes turn the other way round."""

    rings: tuple[np.ndarray, ...]
    fill: str = "ink"
    opacity: float = 1.0
    edge: str = ""
    width: float = 1.0
    role: str = ""


@dataclass(frozen=True)
class Text:
    """One line of text; (x, y) is on its baseline. anchor: start, middle or end. halo: paper round the letters."""

    x: float
    y: float
    text: str
    size: float = 11.0
    color: str = "ink"
    bold: bool = False
    anchor: str = "start"
    halo: float = 0.0

    def box(self) -> tuple[float, float, float, float]:
        """left, top, right, bottom [px] of its ink, near enough: ascent 0.76, descent 0.21 of the size."""
        width = text_width(self.text, self.size, self.bold)
        left = self.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[self.anchor] * width
        return left, self.y - 0.76 * self.size, left + width, self.y + 0.21 * self.size


@dataclass(frozen=True)
class Image:
    """An image (rows, cols, 4) uint8 in the rectangle from (x, y)."""

    x: float
    y: float
    width: float
    height: float
    rgba: np.ndarray
    role: str = ""


Item = Line | Area | Text | Image


@dataclass
class Scene:
    """A picture under construction: marks in the order of painting. `title` is read out by screen readers."""

    width: float
    height: float
    title: str = ""
    items: list[Item] = field(default_factory=list)
    data: dict[str, str] = field(default_factory=dict)  # data-... attributes of the SVG

    def add(self, *items: Item) -> None:
        self.items += items

    def line(self, points: Any, color: str = "ink", width: float = 1.0, **style: Any) -> None:
        self.add(Line((np.asarray(points, dtype=float),), color, width, **style))

    def area(self, ring: Any, fill: str = "ink", opacity: float = 1.0, **style: Any) -> None:
        self.add(Area((np.asarray(ring, dtype=float),), fill, opacity, **style))

    def box(
        self, x: float, y: float, across: float, down: float, fill: str, opacity: float = 1.0, **style: Any
    ) -> None:
        self.area([(x, y), (x + across, y), (x + across, y + down), (x, y + down)], fill, opacity, **style)

    def disc(self, x: float, y: float, r: float, fill: str, edge: str = "", width: float = 1.0) -> None:
        angle = np.linspace(0, 2 * np.pi, 25)[:-1]
        self.area(np.stack([x + r * np.cos(angle), y + r * np.sin(angle)], axis=1), fill, edge=edge, width=width)

    def text(self, x: float, y: float, text: str, size: float = 11.0, color: str = "ink", **style: Any) -> Text:
        item = Text(x, y, text, size, color, **style)
        self.add(item)
        return item

    def place(self, other: Scene, x: float, y: float, scale: float = 1.0) -> None:
        """Draw another picture with its upper left corner at (x, y), `scale` times as large."""
        for item in other.items:
            if isinstance(item, Line):
                paths = tuple(path * scale + (x, y) for path in item.paths)
                dash = tuple(part * scale for part in item.dash)
                self.add(replace(item, paths=paths, width=item.width * scale, dash=dash))
            elif isinstance(item, Area):
                self.add(
                    replace(item, rings=tuple(ring * scale + (x, y) for ring in item.rings), width=item.width * scale)
                )
            elif isinstance(item, Text):
                self.add(
                    replace(
                        item, x=item.x * scale + x, y=item.y * scale + y, size=item.size * scale, halo=item.halo * scale
                    )
                )
            else:
                self.add(
                    replace(
                        item,
                        x=item.x * scale + x,
                        y=item.y * scale + y,
                        width=item.width * scale,
                        height=item.height * scale,
                    )
                )

    def hatch(
        self,
        x: float,
        y: float,
        width: float,
        height: float,
        color: str = "ink",
        step: float = 5.0,
        stroke: float = 0.8,
    ) -> None:
        """Slanted lines inside a rectangle, cut at its sides, and its outline."""
        paths = []
        for start in np.arange(step / 2, width + height, step):
            a = (x + min(start, width), y + max(0.0, start - width))
            b = (x + max(0.0, start - height), y + min(start, height))
            paths.append(np.array([a, b]))
        outline = np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height), (x, y)])
        self.add(Line((*paths, outline), color, stroke))


class Room:
    """What is already taken by text (or by marks that text must not touch), for labels placed by priority."""

    def __init__(self, scene: Scene, margin: float = 1.5) -> None:
        self.scene, self.margin, self.boxes = scene, margin, []  # type: ignore[var-annotated]

    def free(self, box: tuple[float, float, float, float]) -> bool:
        left, top, right, bottom = box
        if left < 0 or top < 0 or right > self.scene.width or bottom > self.scene.height:
            return False
        m = self.margin
        return not any(
            left < east + m and right > west - m and top < south + m and bottom > north - m
            for west, north, east, south in self.boxes
        )

    def take(self, box: tuple[float, float, float, float]) -> None:
        self.boxes.append(box)

    def put(self, choices: Iterable[Text]) -> bool:
        """Draw the first of `choices` that has room; False where none has."""
        for text in choices:
            if self.free(text.box()):
                self.take(text.box())
                self.scene.add(text)
                return True
        return False


@cache
def font_file(bold: bool = False) -> Path:
    """DejaVu Sans as matplotlib carries it."""
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf" / ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")


_OWN = threading.local()  # each thread measures with a face of its own: one face holds one text at a time


def _font(bold: bool) -> Any:
    fonts: dict[bool, Any] | None = getattr(_OWN, "fonts", None)
    if fonts is None:
        fonts = _OWN.fonts = {}
    if bold not in fonts:
        from matplotlib.ft2font import FT2Font

        fonts[bold] = FT2Font(str(font_file(bold)))
        fonts[bold].set_size(100, 72)
    return fonts[bold]


@lru_cache(maxsize=50_000)
def text_width(text: str, size: float, bold: bool = False) -> float:
    """Width [px] of a line of text. May be asked from several threads at once."""
    font = _font(bold)
    font.set_text(text, 0.0)
    return float(font.get_width_height()[0]) / 64.0 / 100.0 * size


def wrapped(text: str, size: float, width: float, bold: bool = False) -> list[str]:
    """`text` broken at spaces into lines of at most `width` [px]; a longer word stands alone."""
    lines: list[str] = []
    for word in text.split():
        if lines and text_width(f"{lines[-1]} {word}", size, bold) <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines or [""]


def shortened(text: str, size: float, width: float, bold: bool = False) -> str:
    """`text`, with an ellipsis for what does not fit into `width` [px]."""
    if text_width(text, size, bold) <= width:
        return text
    while text and text_width(text.rstrip() + "…", size, bold) > width:
        text = text[:-1]
    return text.rstrip() + "…"


# --- SVG -----------------------------------------------------------------------------------------------------


def svg(scene: Scene, *, css: bool = False, palette: Mapping[str, str] = PAPER, paper: bool = True) -> str:
    """The picture as SVG text. `css`: colours as variables (--ink ...) with the palette as their fallback, the
    page's own face, and no XML head: for use inside an HTML page."""

    def ink(name: str) -> str:
        return f"var(--{name},{palette[name]})" if css else palette[name]

    data = "".join(f' data-{key}="{escape(value)}"' for key, value in scene.data.items())
    size = f'viewBox="0 0 {_n(scene.width)} {_n(scene.height)}"'
    if not css:
        size += f' width="{_n(scene.width)}" height="{_n(scene.height)}"'
    face = "" if css else f' font-family="{FONTS}"'
    parts = [f'<svg xmlns="http://www.w3.org/2000/svg" {size}{face} role="img"{data}>']
    if scene.title:
        parts.append(f"<title>{escape(scene.title)}</title>")
    if paper and not css:
        parts.append(f'<rect width="100%" height="100%" fill="{palette["paper"]}"/>')
    parts += [_svg_item(item, ink) for item in scene.items]
    parts.append("</svg>")
    head = "" if css else '<?xml version="1.0" encoding="UTF-8"?>\n'
    return head + "\n".join(parts) + "\n"


def _n(value: float) -> str:
    text = f"{value:.1f}"
    return text[:-2] if text.endswith(".0") else text


def _d(path: np.ndarray, close: bool = False) -> str:
    """Path data: the first point, then steps, in tenths of a pixel; rounding errors do not add up."""
    tenths = np.rint(path * 10).astype(np.int64)
    (x, y), steps = tenths[0].tolist(), np.diff(tenths, axis=0).tolist()
    body = " ".join([f"{dx / 10:g},{dy / 10:g}" for dx, dy in steps])
    return f"M{x / 10:g},{y / 10:g}l{body}" + ("z" if close else "") if body else ""


def _svg_item(item: Item, ink: Any) -> str:
    if isinstance(item, Line):
        d = "".join(_d(path) for path in item.paths if len(path) > 1)
        more = f";stroke-dasharray:{','.join(map(_n, item.dash))}" if item.dash else ""
        more += ";stroke-linecap:round;stroke-linejoin:round" if item.round else ";stroke-linejoin:round"
        more += f";opacity:{item.opacity:g}" if item.opacity < 1 else ""
        return (
            f'<path{_role(item)} d="{d}" style="fill:none;stroke:{ink(item.color)};stroke-width:{item.width:g}{more}"/>'
        )
    if isinstance(item, Area):
        d = "".join(_d(ring, close=True) for ring in item.rings if len(ring) > 2)
        more = f";fill-opacity:{item.opacity:g}" if item.opacity < 1 else ""
        more += f";stroke:{ink(item.edge)};stroke-width:{item.width:g}" if item.edge else ""
        return f'<path{_role(item)} d="{d}" style="fill:{ink(item.fill)};fill-rule:evenodd{more}"/>'
    if isinstance(item, Text):
        more = ";font-weight:bold" if item.bold else ""
        more += f";text-anchor:{item.anchor}" if item.anchor != "start" else ""
        if item.halo:
            more += f";stroke:{ink('paper')};stroke-width:{2 * item.halo:g};paint-order:stroke;stroke-linejoin:round"
        style = f"font-size:{item.size:g}px;fill:{ink(item.color)}{more}"
        return f'<text x="{_n(item.x)}" y="{_n(item.y)}" style="{style}">{escape(item.text)}</text>'
    place = f'x="{_n(item.x)}" y="{_n(item.y)}" width="{_n(item.width)}" height="{_n(item.height)}"'
    return f'<image{_role(item)} {place} preserveAspectRatio="none" href="{data_uri(item.rgba)}"/>'


def _role(item: Any) -> str:
    return f' class="{item.role}"' if item.role else ""


def data_uri(rgba: np.ndarray) -> str:
    """An image (rows, cols, 3 or 4) uint8 as a PNG data URI."""
    from PIL import Image as Picture

    out = io.BytesIO()
    Picture.fromarray(rgba).save(out, "PNG", optimize=False, compress_level=6)
    return "data:image/png;base64," + base64.b64encode(out.getvalue()).decode()


# --- matplotlib ----------------------------------------------------------------------------------------------


def figure(scene: Scene, *, palette: Mapping[str, str] = PAPER, dpi: float = 100.0, core_fonts: bool = False) -> Any:
    """The picture as a matplotlib Figure, one scene pixel to 1/dpi inch, without axes.

    core_fonts : name Helvetica, which every PDF reader has, in place of the face that comes as a file.
    """
    from matplotlib.figure import Figure
    from matplotlib.transforms import Affine2D

    result = Figure(figsize=(scene.width / dpi, scene.height / dpi), dpi=dpi, facecolor=palette["paper"])
    place = Affine2D().scale(1 / scene.width, -1 / scene.height).translate(0, 1) + result.transFigure
    for order, item in enumerate(scene.items):
        artist = _artist(item, place, palette, 72.0 / dpi, core_fonts)
        artist.set_zorder(order + 1)
        result.add_artist(artist)
        if isinstance(item, Image):
            artist.set_clip_box(None)
    return result


def _artist(item: Item, place: Any, palette: Mapping[str, str], points: float, core_fonts: bool) -> Any:
    """One matplotlib artist; `points` are points per scene pixel."""
    if isinstance(item, Line):
        from matplotlib.collections import LineCollection

        dash: Any = "solid"
        if item.dash:  # collections scale dashes by the line's width
            dash = (0, tuple(max(part, 0.001) / item.width for part in item.dash))
        return LineCollection(
            list(item.paths),
            colors=palette[item.color],
            linewidths=item.width * points,
            linestyles=[dash],
            capstyle="round" if item.round else "butt",
            joinstyle="round",
            alpha=item.opacity,
            transform=place,
            offset_transform=None,
            clip_on=False,
        )
    if isinstance(item, Area):
        from matplotlib.patches import PathPatch
        from matplotlib.path import Path as Outline

        outline = Outline.make_compound_path(*(Outline(np.vstack([r, r[:1]]), closed=True) for r in item.rings))
        return PathPatch(
            outline,
            facecolor=_with_alpha(palette[item.fill], item.opacity),
            edgecolor=palette[item.edge] if item.edge else "none",
            linewidth=item.width * points if item.edge else 0,
            transform=place,
            clip_on=False,
        )
    if isinstance(item, Text):
        from matplotlib.font_manager import FontProperties
        from matplotlib.text import Text as Label

        if core_fonts:
            face = FontProperties(family="Helvetica", weight="bold" if item.bold else "medium", size=item.size * points)
        else:
            face = FontProperties(fname=font_file(item.bold), size=item.size * points)
        label = Label(
            item.x,
            item.y,
            item.text.replace("$", r"\$"),
            color=palette[item.color],
            transform=place,
            verticalalignment="baseline",
            fontproperties=face,
            horizontalalignment=ALIGNED[item.anchor],
        )
        if item.halo:
            from matplotlib.patheffects import withStroke

            label.set_path_effects([withStroke(linewidth=2 * item.halo * points, foreground=palette["paper"])])
        return label
    from matplotlib.image import BboxImage
    from matplotlib.transforms import Bbox, TransformedBbox

    corners = Bbox(
        [[item.x, item.y], [item.x + item.width, item.y + item.height]]
    )  # the other way round it is drawn upside down
    image = BboxImage(TransformedBbox(corners, place), interpolation="bilinear")
    image.set_data(item.rgba)
    return image


def _with_alpha(color: str, opacity: float) -> tuple[float, ...]:
    from matplotlib.colors import to_rgba

    return to_rgba(color, opacity)


def png(scene: Scene, *, scale: float = 1.0, palette: Mapping[str, str] = PAPER) -> bytes:
    """The picture as PNG; `scale` 2 gives twice the pixels."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    drawn = figure(scene, palette=palette, dpi=100.0)
    canvas = FigureCanvasAgg(drawn)
    drawn.set_dpi(100.0 * scale)
    canvas.draw()
    from PIL import Image as Picture

    out = io.BytesIO()
    Picture.fromarray(np.asarray(canvas.buffer_rgba())[..., :3]).save(out, "PNG", compress_level=5)
    return out.getvalue()


_SETTINGS = threading.Lock()  # matplotlib's settings are one for all threads


def pdf(pages: Sequence[Scene], *, title: str, palette: Mapping[str, str] = PAPER) -> bytes:
    """Scenes as the pages of one PDF, one pixel to a point; no dates and no names of people or machines inside.

    Text in a Western alphabet is set in Helvetica, which is narrower than what was measured and needs no embedding;
    other text brings DejaVu Sans with it, which takes a second longer.
    """
    from matplotlib import rc_context
    from matplotlib.backends.backend_pdf import PdfPages

    out = io.BytesIO()
    about = {"Title": title, "Creator": "routeplan", "Producer": "routeplan", "CreationDate": None}
    core = all(_western(item.text) for page in pages for item in page.items if isinstance(item, Text))
    with (
        _SETTINGS,
        rc_context({"pdf.fonttype": 42, "pdf.compression": 6, "pdf.use14corefonts": core}),
        PdfPages(out, metadata=about) as book,
    ):
        for page in pages:
            book.savefig(figure(page, palette=palette, dpi=72.0, core_fonts=core))
    return out.getvalue()


def _western(text: str) -> bool:
    try:
        text.encode("cp1252")
    except UnicodeEncodeError:
        return False
    return True
