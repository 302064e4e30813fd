"""What the page for radiographs asks for: marks on a picture, the canal traced, its document."""

from __future__ import annotations

import io
import math
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canalwright.cautions import Caution, merged
from canalwright.errors import MissingScale, UnreadableFile
from canalwright.records.access.roles import Operation
from canalwright.records.attachments import attach, prepare_files
from canalwright.records.documents import add_document
from canalwright.records.errors import NotRecorded
from canalwright.records.nouns import Attachment, AttachmentKind
from canalwright.web.cabinet import keep_document
from canalwright.web.fields import read_number, read_number_or_none
from canalwright.web.words import _

if TYPE_CHECKING:
    from canalwright.imaging.radiograph import Radiograph
    from canalwright.imaging.rulers import Ruler
    from canalwright.imaging.tracing import TracedCanal
    from canalwright.records.access.gate import Gate
    from canalwright.records.nouns import Document
    from canalwright.reports.tables import TextTable
    from canalwright.web.desk import OpenCase

__all__ = [
    "Marks",
    "ShownRadiograph",
    "Traced",
    "attach_radiographs",
    "keep_trace",
    "picture_png",
    "radiographs",
    "ruler_of",
    "scale_words",
    "shown_radiograph",
    "trace_marks",
    "trace_svg",
]

Point = tuple[float, float]

_SHOWN_PERCENTILES: Final = (0.5, 99.5)


@dataclass(frozen=True, slots=True)
class Marks:
    """What was clicked, in pixels from the center of the upper left one.

    Attributes
    ----------
    orifice, terminus : (x, y) or None
    between : tuple of (x, y)
        From the orifice to the terminus.
    ruler : tuple of (x, y)
        At most the two ends of the calibration line.
    """

    orifice: Point | None = None
    terminus: Point | None = None
    between: tuple[Point, ...] = ()
    ruler: tuple[Point, ...] = ()

    @property
    def points(self) -> tuple[Point, ...]:
        """The points of the canal in order, orifice first."""
        ends = (self.orifice, *self.between, self.terminus)
        return tuple(point for point in ends if point is not None)

    @property
    def complete(self) -> bool:
        """Whether both ends of the canal are known."""
        return self.orifice is not None and self.terminus is not None

    @property
    def wanted(self) -> str:
        """What is best marked next: ``ruler``, ``orifice``, ``terminus`` or ``between``."""
        if self.orifice is None:
            return "orifice"
        return "terminus" if self.terminus is None else "between"

    def placed(self, tool: str, point: Point) -> Marks:
        """Return the marks with one more; the third end of a ruler begins a new one."""
        if tool == "ruler":
            kept = self.ruler if len(self.ruler) < 2 else ()
            return replace(self, ruler=(*kept, point))
        if tool == "between":
            return replace(self, between=self._with_between(point))
        return self._with_end(tool, point)

    def moved(self, kind: str, at: int, point: Point) -> Marks:
        """Return the marks with one of them somewhere else; see `drawn` for their numbers."""
        if kind == "ruler":
            ends = tuple(point if k == at else end for k, end in enumerate(self.ruler))
            return replace(self, ruler=ends)
        if kind == "between":
            ways = tuple(point if k == at else one for k, one in enumerate(self.between))
            return replace(self, between=ways)
        return self._with_end(kind, point)

    def without(self, kind: str, at: int) -> Marks:
        """Return the marks without one of them."""
        if kind == "ruler":
            return replace(self, ruler=())
        if kind == "between":
            return replace(self, between=self.between[:at] + self.between[at + 1 :])
        return self._with_end(kind, None)

    def drawn(self) -> list[dict[str, Any]]:
        """Return every mark as the picture draws it."""
        ends = (("orifice", self.orifice), ("terminus", self.terminus))
        marks = [{"kind": kind, "at": 0, "px": list(p)} for kind, p in ends if p is not None]
        marks += [{"kind": "between", "at": k, "px": list(p)} for k, p in enumerate(self.between)]
        return marks + [{"kind": "ruler", "at": k, "px": list(p)} for k, p in enumerate(self.ruler)]

    @classmethod
    def from_drawn(cls, drawn: Iterable[Mapping[str, Any]]) -> Marks:
        """Return marks from what `drawn` returned."""
        made = cls()
        for one in drawn:
            kind, (x, y) = str(one["kind"]), one["px"]
            point = (float(x), float(y))
            if kind == "between":
                made = replace(made, between=(*made.between, point))
            elif kind in ("ruler", "orifice", "terminus"):
                made = made.placed(kind, point)
        return made

    def _with_end(self, kind: str, point: Point | None) -> Marks:
        if kind == "orifice":
            return replace(self, orifice=point)
        return replace(self, terminus=point)

    def _with_between(self, point: Point) -> tuple[Point, ...]:
        """Put a point where it makes the way through all points longer by least."""
        if not self.complete:
            return (*self.between, point)
        detours = [
            math.dist(a, point) + math.dist(point, b) - math.dist(a, b)
            for a, b in pairwise(self.points)
        ]
        at = detours.index(min(detours))
        return (*self.between[:at], point, *self.between[at:])


@dataclass(frozen=True, eq=False)
class ShownRadiograph:
    """A radiograph of a case, and how a picture of it is drawn."""

    file: Attachment
    radiograph: Radiograph
    inverted: bool
    address: str

    @property
    def size(self) -> tuple[int, int]:
        """Columns and rows of pixels."""
        rows, columns = self.radiograph.shape
        return columns, rows


@dataclass(frozen=True, eq=False)
class Traced:
    """A canal on a radiograph, ready to be shown."""

    canal: TracedCanal
    radiograph: Radiograph
    marks: Marks
    line: list[list[float]]
    summary: str
    levels: TextTable
    curvature: TextTable
    cautions: tuple[Caution, ...]


def radiographs(attachments: Sequence[Attachment]) -> tuple[Attachment, ...]:
    """Return the radiographs among the files of a case, the last first."""
    kept = [
        one
        for one in attachments
        if one.attachment_kind is AttachmentKind.RADIOGRAPH and not one.withdrawn
    ]
    return tuple(reversed(kept))


def attach_radiographs(
    gate: Gate, case_id: str, paths: Sequence[Path], progress: Callable[[float], None]
) -> tuple[Attachment, ...]:
    """Clean radiographs and attach them to a case, each by itself.

    Raises
    ------
    CanalwrightError
        If one cannot be read as a picture or cleaned; nothing is attached then.
    """
    from canalwright.imaging.radiograph import read_radiograph

    with gate.reading(Operation.FILE_ADD, case_id):
        pass
    for at, path in enumerate(paths, 1):
        try:
            read_radiograph(path)
        except UnreadableFile as error:
            error.path = _("file {number}").format(number=at)
            raise
    kind = AttachmentKind.RADIOGRAPH
    prepared = prepare_files(gate.store, paths, kind, progress=progress)
    with gate.store.writing(gate.user.name) as writing:
        return tuple(made for one in prepared for made in attach(writing, case_id, [one], kind))


def shown_radiograph(opened: OpenCase, file_id: str, *, inverted: bool = False) -> ShownRadiograph:
    """Read a radiograph of a case.

    Raises
    ------
    NotRecorded
        If the case has no such radiograph.
    UnreadableFile
        If it cannot be read as a picture.
    """
    from canalwright.imaging.radiograph import read_radiograph

    found = next((one for one in radiographs(opened.file.attachments) if one.id == file_id), None)
    if found is None:
        raise NotRecorded(kind="radiograph of this case", got=file_id)
    with (
        opened.gate.reading(Operation.FILE_READ, opened.id, file_id) as reading,
        tempfile.TemporaryDirectory(prefix="canalwright-radiograph-") as folder,
    ):
        # The content decides how it is read; the name is ours.
        path = Path(folder) / found.name
        path.symlink_to(reading.files.path(found.sha256).resolve())
        picture = read_radiograph(path, inverted=inverted)
    invented = picture.invented or opened.file.case.invented
    named = replace(picture, source=found.name, invented=invented)
    address = f"/case/{opened.id}/radiograph/{file_id}?inverted={int(inverted)}"
    return ShownRadiograph(found, named, inverted, address)


def picture_png(shown: ShownRadiograph) -> bytes:
    """Return the picture with 8 bits per pixel, its darkest and brightest half percent clipped."""
    from PIL import Image

    gray = shown.radiograph.pixels
    low, high = np.percentile(gray, _SHOWN_PERCENTILES)
    if not low < high:
        low, high = float(gray.min()), float(gray.max())
    scaled = np.clip((gray - low) / (high - low), 0.0, 1.0)
    content = io.BytesIO()
    Image.fromarray(np.rint(255.0 * scaled).astype(np.uint8)).save(content, "PNG", compress_level=3)
    return content.getvalue()


def ruler_of(marks: Marks, length_mm: str, length_sd_mm: str) -> Ruler | None:
    """Return the ruler of the calibration line; None while there is none.

    Parameters
    ----------
    marks : Marks
    length_mm, length_sd_mm : str
        As typed; an empty standard deviation is the assumed one.

    Raises
    ------
    MalformedText, OutOfRange
        If it cannot be one.
    """
    from canalwright.imaging.rulers import KNOWN_LENGTH_SD_MM, known_length_scale

    if len(marks.ruler) < 2 or not length_mm.strip():
        return None
    known = read_number(length_mm, name=_("known length"), unit="mm")
    sd = read_number_or_none(length_sd_mm, name=_("uncertainty of the known length"), unit="mm")
    first, second = marks.ruler
    length_sd = KNOWN_LENGTH_SD_MM.value if sd is None else sd
    return known_length_scale((first, second), known, length_sd_mm=length_sd)


def scale_words(radiograph: Radiograph) -> str:
    """Return the scale and where it comes from, or why there is none."""
    ruler = radiograph.ruler
    if ruler.scale_mm_per_px is None:
        reason = ruler.reason or _("nothing states one")
        return _(
            "No millimeters yet: {reason}. Draw a line over something whose length you know, in "
            "the plane of the tooth, and type its length."
        ).format(reason=reason)
    sd = ruler.scale_sd_mm_per_px
    scale = (
        f"{ruler.scale_mm_per_px:.4f}"
        if sd is None
        else (f"{ruler.scale_mm_per_px:.4f} ± {sd:.4f}")
    )
    return _("Scale {scale} mm per pixel, from: {origin}.").format(
        scale=scale, origin=str(ruler.origin)
    )


def trace_marks(
    shown: ShownRadiograph, name: str, marks: Marks, ruler: Ruler | None, *, snap: bool = True
) -> Traced:
    """Trace the canal through the marks.

    Raises
    ------
    MissingScale
        If neither the picture nor the ruler states a scale.
    CanalwrightError
        If the marks are no canal.
    """
    from canalwright.imaging.tracing import TraceSettings, trace_canal
    from canalwright.reports.text import format_sd
    from canalwright.reports.traced_tables import traced_curvature_table, traced_levels_table

    radiograph = shown.radiograph.with_ruler(ruler)
    if radiograph.scale_mm_per_px is None:
        raise MissingScale(path=shown.file.name, reason=radiograph.ruler.reason)
    canal = trace_canal(radiograph, name, marks.points, settings=TraceSettings(snap=snap))
    length = format_sd(canal.length_mm, canal.length_sd_mm, 2)
    return Traced(
        canal=canal,
        radiograph=radiograph,
        marks=marks,
        line=np.round(canal.points_px, 2).tolist(),
        summary=_("{length} mm long in this view (± one standard deviation), an estimate").format(
            length=length
        ),
        levels=traced_levels_table(canal),
        curvature=traced_curvature_table(canal),
        cautions=merged(canal.cautions, canal.curvature.cautions),
    )


def trace_svg(traced: Traced) -> bytes:
    """Return the picture with the canal drawn in, as a figure."""
    from canalwright.reports.radiograph_figure import radiograph_figure
    from canalwright.reports.style import figure_svg

    return figure_svg(radiograph_figure(traced.radiograph, traced.canal))


def keep_trace(opened: OpenCase, traced: Traced) -> tuple[Document, str]:
    """Record a traced canal; return its document, and why no instrument can be set against it.

    The document is the one that ``canalwright trace`` writes. Where no width could be told near
    the terminus it is kept all the same, for its length and curvature.
    """
    from canalwright.exchange.document import document_text
    from canalwright.exchange.traces_out import radiograph_input, traced_document

    asked = {"points_px": [list(p) for p in traced.marks.points], "angle_deg": 0.0}
    inputs = {
        "radiographs": [{**radiograph_input(traced.radiograph), **asked}],
        "order_of_points": "orifice first",
    }
    document = traced_document((traced.canal,), inputs, ())
    content = document_text(document).encode("utf-8")
    name = _("radiograph, {canal}").format(canal=traced.canal.name)
    try:
        return keep_document(opened.gate, opened.id, content, name), ""
    except UnreadableFile as error:
        with opened.gate.writing(Operation.PLAN_ADD, opened.id, name) as writing:
            made = add_document(writing, content, name=name, case_id=opened.id)
        return made, error.problem
