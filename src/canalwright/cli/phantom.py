"""``canalwright phantom``: an invented tooth as a DICOM CT series, with its truth."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalwright.cli.made_files import report_files
from canalwright.cli.options import JsonFile
from canalwright.cli.output import announce, invented_notice, print_text, progress_bar
from canalwright.cli.reading import ClickedCanal
from canalwright.cli.writing import check_targets

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal
    from canalwright.exchange.canals import CanalsDocument
    from canalwright.imaging.phantom import RootPhantom

__all__ = ["clicks_of", "invent", "phantom", "truth_document", "write_scan"]

SCAN_FOLDER = "scan"
TRUTH_FILE = "truth.json"


def phantom(
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="Folder for the series and its truth.")
    ] = Path("phantom-output"),
    seed: Annotated[int, typer.Option(metavar="N", min=0, help="Which tooth.")] = 0,
    voxel_mm: Annotated[float, typer.Option(metavar="MM", help="Voxel size.")] = 0.125,
    fwhm_mm: Annotated[
        float, typer.Option(metavar="MM", help="Blur, full width at half maximum.")
    ] = 0.25,
    snr: Annotated[
        float, typer.Option(metavar="RATIO", help="Contrast of dentin to lumen over noise.")
    ] = 20.0,
    json: JsonFile = None,
) -> None:
    """Invent a lower molar, image it, and write the scan (DICOM) and the truth (canals@1)."""
    check_targets(json, folder=out)
    tooth = invent(seed)
    write_scan(tooth, out / SCAN_FOLDER, voxel_mm=voxel_mm, fwhm_mm=fwhm_mm, snr=snr, seed=seed)
    _write_truth(tooth, out / TRUTH_FILE, seed)
    if json != "-":
        _print_where(tooth, out)
    invented_notice(True)
    report_files(
        json,
        "phantom",
        [out / SCAN_FOLDER, out / TRUTH_FILE],
        inputs={"seed": seed, "voxel_mm": voxel_mm, "fwhm_mm": fwhm_mm, "snr": snr},
        details={"canal_options": [_option(click) for click in clicks_of(tooth)]},
        invented=True,
    )


def _print_where(tooth: RootPhantom, out: Path) -> None:
    print_text(f"scan   {out / SCAN_FOLDER}")
    print_text(f"truth  {out / TRUTH_FILE}")
    print_text("Points for 'canalwright measure' (orifice:terminus in mm):")
    for click in clicks_of(tooth):
        print_text(f"  {_option(click)}")


def _option(click: ClickedCanal) -> str:
    ends = (",".join(f"{c:g}" for c in end) for end in (click.orifice_mm, click.terminus_mm))
    return f"--canal {click.name}={':'.join(ends)}"


def invent(seed: int) -> RootPhantom:
    """Return the invented tooth of a seed."""
    from canalwright.imaging.phantom_models import demo_phantom

    return demo_phantom(seed)


def write_scan(
    tooth: RootPhantom, folder: Path, *, voxel_mm: float, fwhm_mm: float, snr: float, seed: int
) -> None:
    """Image the tooth and write the DICOM series."""
    from canalwright.errors import OutOfRange
    from canalwright.imaging.dicom_export import write_ct_series
    from canalwright.imaging.phantom_render import render

    for name, value, allowed in (
        ("voxel size of a phantom", voxel_mm, (0.05, 0.5)),
        ("blur of a phantom", fwhm_mm, (0.0, 1.0)),
    ):
        if not allowed[0] <= value <= allowed[1]:
            raise OutOfRange(name=name, got=value, unit="mm", allowed=allowed)
    if not snr > 0.0:
        raise OutOfRange(name="contrast to noise", got=snr, unit="", allowed=(0.0, None))
    with progress_bar("Imaging the invented tooth"):
        scan = render(tooth, voxel_mm=voxel_mm, fwhm_mm=fwhm_mm, snr=snr, seed=seed)
        write_ct_series(scan, folder, description=f"INVENTED DATA: {tooth.name}")


def clicks_of(tooth: RootPhantom) -> tuple[ClickedCanal, ...]:
    """Return where a user would click, to a tenth of a millimeter."""
    return tuple(
        ClickedCanal(canal.name, _typed(canal.orifice_mm), _typed(canal.terminus_mm))
        for canal in tooth.canals
    )


def truth_document(tooth: RootPhantom, truth: Mapping[str, Canal], seed: int) -> CanalsDocument:
    """Return the known canals of the tooth as a document."""
    from canalwright.cautions import Caution
    from canalwright.exchange.canals_out import canals_document

    invented = Caution(
        "INVENTED_DATA",
        "The tooth is invented: these are the known dimensions of a phantom, not of a patient.",
        "project rule",
    )
    inputs = {"phantom": tooth.name, "seed": seed}
    return canals_document(truth.values(), inputs, (invented,))


def _write_truth(tooth: RootPhantom, target: Path, seed: int) -> None:
    from canalwright.exchange.document import document_text
    from canalwright.exchange.files import StagedFiles
    from canalwright.imaging.phantom import true_canals

    document = truth_document(tooth, true_canals(tooth), seed)
    with StagedFiles() as staged:
        staged.write_text(str(target), document_text(document))
    announce(f"wrote {target}")


def _typed(point_mm: object) -> tuple[float, float, float]:
    x, y, z = (round(float(c), 1) + 0.0 for c in point_mm)  # type: ignore[attr-defined]
    return x, y, z
