"""The document ``canalwright/canals@1``: measured canals, arrays over the level axis."""

from __future__ import annotations

from typing import Annotated, ClassVar, Self

from pydantic import ConfigDict, Field, model_validator

from canalwright.exchange.document import (
    CautionRecord,
    Document,
    Finite,
    NotNegative,
    Positive,
    Record,
)

__all__ = [
    "CanalRecord",
    "CanalsDocument",
    "CurvatureRecord",
    "JoinRecord",
    "ProjectionRecord",
    "ProvenanceRecord",
    "StretchRecord",
]

# Generous bounds that no tooth reaches: they catch micrometers taken for millimeters.
LARGEST_WIDTH_MM = 20.0
LONGEST_MM = 100.0
FARTHEST_MM = 1e5

Coordinate = Annotated[Finite, Field(ge=-FARTHEST_MM, le=FARTHEST_MM)]
Width = Annotated[Positive, Field(le=LARGEST_WIDTH_MM)]
Level = Annotated[NotNegative, Field(le=LONGEST_MM)]
Thickness = Annotated[Finite, Field(ge=-LARGEST_WIDTH_MM, le=LARGEST_WIDTH_MM)]
Deviation = Annotated[NotNegative, Field(le=LARGEST_WIDTH_MM)]
Point = Annotated[list[Coordinate], Field(min_length=3, max_length=3)]
Row = Annotated[list[Width], Field(min_length=8)]
OuterRow = Annotated[list[Width | None], Field(min_length=8)]
Deviations = list[Deviation | None]

_ARRAYS = (
    "diameter_mm",
    "centerline_mm",
    "diameter_sd_mm",
    "narrow_mm",
    "wide_mm",
    "narrow_sd_mm",
    "wide_sd_mm",
    "dentin_min_mm",
    "dentin_min_sd_mm",
    "direction0",
    "section_radius_mm",
    "outer_radius_mm",
    "estimated",
)


class ProvenanceRecord(Record):
    """Where a canal comes from; see `canalwright.anatomy.canal.Provenance`."""

    source: str = ""
    sha256: str = ""
    methods: list[str] = Field(default_factory=list)
    spacing_mm: Annotated[list[Positive], Field(min_length=3, max_length=3)] | None = None
    spacing_origin: str = ""
    invented: bool = False


class CurvatureRecord(Record):
    """Curvature by several methods; each key names its method, and further ones may follow."""

    model_config = ConfigDict(extra="allow")

    schneider_deg: Finite | None = None
    pruett_deg: Finite | None = None
    pruett_radius_mm: Finite | None = None
    max_per_mm: Finite | None = None


class JoinRecord(Record):
    """A stretch that a canal shares with another one of the document.

    ``canal`` names the other; at ``level_mm`` the two become one. ``where`` is ``apical`` (common
    terminus), ``coronal`` (common orifice) or ``between``. Lumen and dentin of the shared stretch
    are in both canals and must not be added.
    """

    canal: Annotated[str, Field(min_length=1)]
    level_mm: Level
    from_level_mm: Level
    to_level_mm: Level
    where: Annotated[str, Field(min_length=1)]


class StretchRecord(Record):
    """The line between two points of a trace, and whether the dark canal was followed."""

    start_level_mm: NotNegative
    end_level_mm: NotNegative
    snapped: bool
    confidence: Annotated[Finite, Field(ge=0, le=1)] | None = None


class ProjectionRecord(Record):
    """What a canal traced on radiographs is beside its line; its diameters are projected widths.

    ``view_angles_deg`` holds one angle for a single view, where z of the centerline is 0 and
    stands for "unknown"; several where depth was computed, with its ``depth_sd_mm``.
    """

    view_angles_deg: Annotated[list[Finite], Field(min_length=1)]
    scale_mm_per_px: Positive
    scale_sd_mm_per_px: NotNegative | None = None
    scale_origin: str = ""
    length_sd_mm: NotNegative | None = None
    depth_sd_mm: Deviations | None = None
    clicks_px: list[list[Finite]] = Field(default_factory=list)
    points_px: list[list[Finite]] = Field(default_factory=list)
    stretches: list[StretchRecord] = Field(default_factory=list)


class CanalRecord(Record):
    """One canal.

    Needed are ``name``, ``level_mm``, ``centerline_mm`` and ``diameter_mm``; sections are taken
    from ``section_radius_mm`` where it is given, else rebuilt from the widths. A canal traced on
    a radiograph has ``projection``; its ``diameter_mm`` is null where no width could be told.
    ``estimated`` is true at levels whose size was carried on or interpolated, not measured.
    """

    name: Annotated[str, Field(min_length=1, pattern=r"^[^\x00-\x1f\x7f]*$")]
    length_mm: Level | None = None
    level_mm: Annotated[list[Level], Field(min_length=2)]
    centerline_mm: list[Point]
    diameter_mm: list[Width | None]
    diameter_sd_mm: Deviations | None = None
    narrow_mm: list[Width] | None = None
    wide_mm: list[Width] | None = None
    dentin_min_mm: list[Thickness | None] | None = None
    curvature: CurvatureRecord = Field(default_factory=CurvatureRecord)
    narrow_sd_mm: Deviations | None = None
    wide_sd_mm: Deviations | None = None
    dentin_min_sd_mm: Deviations | None = None
    direction0: list[Point] | None = None
    section_radius_mm: list[Row] | None = None
    outer_radius_mm: list[OuterRow] | None = None
    estimated: list[bool] | None = None
    provenance: ProvenanceRecord = Field(default_factory=ProvenanceRecord)
    projection: ProjectionRecord | None = None
    joins: list[JoinRecord] = Field(default_factory=list)
    cautions: list[CautionRecord] = Field(default_factory=list)

    @model_validator(mode="after")
    def _widths_may_be_missing_on_radiographs_only(self) -> Self:
        if None in self.diameter_mm and (self.projection is None or self.section_radius_mm):
            at = self.diameter_mm.index(None)
            raise ValueError(f"has diameter_mm[{at}] = null; only a trace may lack a width")
        return self

    @model_validator(mode="after")
    def _arrays_share_the_level_axis(self) -> Self:
        count = len(self.level_mm)
        for key in _ARRAYS:
            values = getattr(self, key)
            if values is not None and len(values) != count:
                raise ValueError(f"has {len(values)} values in {key} and {count} in level_mm")
        return self

    @model_validator(mode="after")
    def _levels_increase_from_zero(self) -> Self:
        if self.level_mm[0] != 0.0:
            raise ValueError(
                f"has level_mm[0] = {self.level_mm[0]:g}; levels start at 0, the terminus"
            )
        for at in range(1, len(self.level_mm)):
            if not self.level_mm[at] > self.level_mm[at - 1]:
                raise ValueError(
                    f"has level_mm[{at}] = {self.level_mm[at]:g} after "
                    f"{self.level_mm[at - 1]:g}; levels increase toward the orifice"
                )
        return self

    @model_validator(mode="after")
    def _widths_come_in_order(self) -> Self:
        if self.narrow_mm is None or self.wide_mm is None:
            return self
        for at, (narrow, wide) in enumerate(zip(self.narrow_mm, self.wide_mm, strict=True)):
            if narrow > wide + 1e-3:
                raise ValueError(f"has narrow_mm[{at}] = {narrow:g} above wide_mm[{at}] = {wide:g}")
        return self


class CanalsDocument(Document):
    """The document ``canalwright/canals@1``."""

    kind: ClassVar[str] = "canalwright/canals@1"

    canals: Annotated[list[CanalRecord], Field(min_length=1)]

    @model_validator(mode="after")
    def _names_are_unique(self) -> Self:
        names = [canal.name for canal in self.canals]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"names two canals {name!r}")
        return self
