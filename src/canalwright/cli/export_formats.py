"""``canalwright convert``: results into files that other programs read, and theirs into ours."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.import_formats import canals_in, referral
from canalwright.cli.made_files import document_cautions, end_with, report_files
from canalwright.cli.options import JsonFile
from canalwright.cli.output import announce
from canalwright.cli.writing import check_targets
from canalwright.errors import UnknownName, UsageError

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal
    from canalwright.exchange.canals import CanalsDocument
    from canalwright.exchange.dicom_source import SourceSeries
    from canalwright.exchange.document import Document

__all__ = ["convert"]

convert = typer.Typer(
    help="Results into files that other programs read, and theirs into ours. Nothing that names a "
    "patient leaves unless it is asked for: objects carry the pseudonym of --subject, or none.",
    no_args_is_help=True,
)

for _name, _function, _short, _example in (
    (
        "canals",
        canals_in,
        "CSV, segmentation, older document → canals@1, plan@1",
        "Examples: canalwright convert canals centerline.csv --json canals.json; canalwright "
        "convert canals labels.nii.gz --part 1=MB --terminus MB=10.4,-9.2,19.0 --json canals.json",
    ),
    (
        "referral",
        referral,
        "FHIR Patient, Condition → tooth and diagnoses",
        "Example: canalwright convert referral bundle.json --subject C-7F3K --json intake.json",
    ),
):
    convert.command(_name, short_help=_short, epilog=_example)(_function)

Canals = Annotated[Path, typer.Argument(metavar="CANALS", help="A canals@1 document.")]
Out = Annotated[Path, typer.Option("--out", metavar="FILE", help="File to be written.")]
ScanFolder = Annotated[
    Path, typer.Option("--scan", metavar="DIR", help="DICOM series the canals were measured in.")
]
OptionalScan = Annotated[
    Path | None,
    typer.Option("--scan", metavar="DIR", help="DICOM series whose study the object joins."),
]
Subject = Annotated[
    str | None, typer.Option(metavar="PSEUDONYM", help="Pseudonym in place of the patient's name.")
]
Identity = Annotated[
    bool,
    typer.Option(
        "--keep-identity", help="Copy the patient's name, number and dates from the scan."
    ),
]
ToothNumber = Annotated[
    int | None, typer.Option("--tooth", metavar="NN", help="Tooth, two digits of ISO 3950.")
]


@convert.command(
    "seg",
    short_help="Canals → DICOM Segmentation",
    epilog="Example: canalwright convert seg canals.json --scan scan/ --tooth 36 --out canals.dcm",
)
def seg(
    canals: Canals,
    scan: ScanFolder,
    out: Out = Path("canals-seg.dcm"),
    tooth: ToothNumber = None,
    subject: Subject = None,
    keep_identity: Identity = False,
    json: JsonFile = None,
) -> None:
    """Write canals, and the pulp as their union, as a fractional segmentation of the scan."""
    from canalwright.exchange.dicom_seg import dicom_segmentation

    check_targets(out, json, inputs=(canals,))
    found, document = _read(canals)
    made = dicom_segmentation(found, _source(scan, subject, keep_identity), tooth=tooth)
    _save(made, out)
    end_with(document, identity=keep_identity)
    _report(json, "convert seg", out, canals, document=document)


@convert.command(
    "sr",
    short_help="Measurements → DICOM SR (TID 1500)",
    epilog="Example: canalwright convert sr canals.json --scan scan/ --seg canals-seg.dcm",
)
def sr(
    canals: Canals,
    scan: ScanFolder,
    out: Out = Path("canals-sr.dcm"),
    seg_file: Annotated[
        Path | None,
        typer.Option("--seg", metavar="FILE", help="Segmentation of the same canals to refer to."),
    ] = None,
    tooth: ToothNumber = None,
    subject: Subject = None,
    keep_identity: Identity = False,
    json: JsonFile = None,
) -> None:
    """Write length, curvature, diameters and dentin as a preliminary structured report."""
    from canalwright.exchange.dicom_sr import dicom_report

    check_targets(out, json, inputs=(canals, *([seg_file] if seg_file else [])))
    found, document = _read(canals)
    source = _source(scan, subject, keep_identity)
    segmentation = None if seg_file is None else _dataset(seg_file)
    _save(dicom_report(found, source, tooth=tooth, segmentation=segmentation), out)
    end_with(document, identity=keep_identity)
    _report(json, "convert sr", out, canals, document=document)


@convert.command(
    "wrap",
    short_help="PDF or STL → DICOM",
    epilog="Example: canalwright convert wrap plan.pdf --subject C-7F3K --out plan.dcm",
)
def wrap(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A PDF, or a binary STL in mm.")],
    out: Out = Path("document.dcm"),
    scan: OptionalScan = None,
    title: Annotated[str, typer.Option(help="Title of the document.")] = "Root canal plan",
    subject: Subject = None,
    keep_identity: Identity = False,
    invented: Annotated[
        bool, typer.Option("--invented", help="Mark the object as holding invented data.")
    ] = False,
    json: JsonFile = None,
) -> None:
    """Write a PDF or an STL as an encapsulated DICOM object; what stands in it is not looked at."""
    from canalwright.errors import UnreadableFile
    from canalwright.exchange.dicom_encapsulated import encapsulated_pdf, encapsulated_stl

    check_targets(out, json, inputs=(file,))
    if not file.is_file():
        raise UnreadableFile(path=str(file), problem="there is no such file")
    content = file.read_bytes()
    build = encapsulated_pdf if content.startswith(b"%PDF-") else encapsulated_stl
    source = None if scan is None else _source(scan, subject, keep_identity)
    made_up = invented or (source is not None and source.invented)
    made = build(
        content,
        title=title,
        subject=subject,
        source=source,
        invented=made_up,
    )
    _save(made, out)
    _report(json, "convert wrap", out, file, invented=made_up)


@convert.command(
    "fhir",
    short_help="Canals, plan, diagnoses → FHIR bundle",
    epilog="Example: canalwright convert fhir canals.json --plan plan.json --subject C-7F3K "
    "--tooth 36 --release R5 --out bundle.json",
)
def fhir(
    canals: Canals,
    subject: Annotated[
        str,
        typer.Option(metavar="PSEUDONYM", help="Pseudonym of the patient; nothing else leaves."),
    ],
    out: Out = Path("bundle.json"),
    release: Annotated[str, typer.Option(metavar="R4B|R5", help="Release of FHIR.")] = "R5",
    plan: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A plan@1 document: a planned procedure.")
    ] = None,
    pdf: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A PDF to go along as a document.")
    ] = None,
    tooth: ToothNumber = None,
    pulpal: Annotated[str, typer.Option(help="Pulpal diagnosis, a term of 2009.")] = "",
    apical: Annotated[str, typer.Option(help="Apical diagnosis, a term of 2009.")] = "",
    study_uid: Annotated[
        str, typer.Option(metavar="UID", help="Study of the scan; it leads back to the patient.")
    ] = "",
    json: JsonFile = None,
) -> None:
    """Write a bundle under a pseudonym, checked in structure and codes."""
    from canalwright.exchange.fhir_out import RELEASES, FhirContent, fhir_bundle
    from canalwright.exchange.files import StagedFiles
    from canalwright.exchange.inputs import file_digest
    from canalwright.exchange.layout import json_text
    from canalwright.planning.clinical.diagnosis import Diagnosis

    if release not in RELEASES:
        raise UnknownName(kind="release of FHIR", got=release, known=RELEASES)
    given = [path for path in (canals, plan, pdf) if path is not None]
    check_targets(out, json, inputs=tuple(given))
    found, document = _read(canals)
    content = FhirContent(
        canals=found,
        subject=subject,
        recorded=_now(),
        tooth=tooth,
        diagnosis=Diagnosis(pulpal, apical) if pulpal or apical else None,
        sequence=_planned(plan),
        study_uid=study_uid,
        documents={} if pdf is None else {"Plan": pdf.read_bytes()},
        inputs={path.name: file_digest(path) for path in given},
        invented=document.invented,
    )
    bundle = fhir_bundle(content, "R5" if release == "R5" else "R4B")
    with StagedFiles() as staged:
        staged.write_text(str(out), json_text(bundle))
    announce(f"wrote {out}")
    end_with(document)
    _report(json, "convert fhir", out, *given, document=document)


@convert.command(
    "surface",
    short_help="Canals → STL, 3MF, glTF, OBJ, PLY",
    epilog="Example: canalwright convert surface canals.json --out canals.3mf",
)
def surface(canals: Canals, out: Out = Path("canals.3mf"), json: JsonFile = None) -> None:
    """Write the walls of the canals; the format follows from the file's ending."""
    from canalwright.exchange.meshes_out import canal_meshes, surface_bytes

    check_targets(out, json, inputs=(canals,))
    found, document = _read(canals)
    _write_bytes(out, surface_bytes(canal_meshes(found), out.suffix.lower().lstrip(".")))
    end_with(document)
    _report(json, "convert surface", out, canals, document=document)


@convert.command(
    "table",
    short_help="Canals or plan → CSV, Parquet",
    epilog="Example: canalwright convert table plan.json --out plan.csv",
)
def table(
    document: Annotated[Path, typer.Argument(metavar="DOCUMENT", help="canals@1 or plan@1.")],
    out: Out = Path("table.csv"),
    json: JsonFile = None,
) -> None:
    """Write one row for every level of a canal, or for every step of a plan."""
    from canalwright.exchange.canals import CanalsDocument
    from canalwright.exchange.older_documents import renewed_document
    from canalwright.exchange.plans import PlanDocument
    from canalwright.exchange.tables_out import canals_table, plan_table, table_bytes

    check_targets(out, json, inputs=(document,))
    read = renewed_document(document)
    if isinstance(read, CanalsDocument):
        flat = canals_table(read)
    elif isinstance(read, PlanDocument):
        flat = plan_table(read)
    else:
        raise UsageError(f"{document}: neither canals nor a plan.")
    _write_bytes(out, table_bytes(flat, out.suffix.lower().lstrip(".")))
    end_with(read)
    _report(json, "convert table", out, document, document=read)


def _read(path: Path) -> tuple[tuple[Canal, ...], CanalsDocument]:
    from canalwright.exchange.canals_in import read_canals

    return read_canals(path)


def _source(folder: Path, subject: str | None, keep_identity: bool) -> SourceSeries:
    from canalwright.exchange.dicom_source import read_source_series

    if keep_identity and subject:
        raise UsageError("Give either --subject or --keep-identity.")
    return read_source_series(folder, subject=subject, keep_identity=keep_identity)


def _dataset(path: Path) -> Any:
    from pydicom import dcmread
    from pydicom.errors import InvalidDicomError

    from canalwright.errors import UnreadableFile

    try:
        return dcmread(path)
    except (OSError, InvalidDicomError):
        raise UnreadableFile(path=str(path), problem="cannot be read as DICOM") from None


def _planned(path: Path | None) -> tuple[str, ...]:
    if path is None:
        return ()
    from canalwright.exchange.document import read_document
    from canalwright.exchange.plans import PlanDocument

    plans = read_document(path, PlanDocument).plans
    return tuple(step.instrument for step in plans[0].sequence) if plans else ()


def _now() -> str:
    from datetime import UTC, datetime

    return datetime.now(UTC).isoformat(timespec="seconds")


def _save(dataset: Any, out: Path) -> None:
    from canalwright.exchange.files import StagedFiles

    with StagedFiles() as staged:
        dataset.save_as(staged.path_for(out), enforce_file_format=True)
    announce(f"wrote {out}")


def _write_bytes(out: Path, content: bytes) -> None:
    from canalwright.exchange.files import StagedFiles

    with StagedFiles() as staged:
        staged.path_for(out).write_bytes(content)
    announce(f"wrote {out}")


def _report(
    target: str | None,
    command: str,
    out: Path,
    *inputs: Path,
    document: Document | None = None,
    invented: bool = False,
) -> None:
    if target is None:
        return
    from canalwright.exchange.inputs import file_digest

    report_files(
        target,
        command,
        [out],
        inputs={str(path): file_digest(path) for path in inputs},
        cautions=() if document is None else document_cautions(document),
        invented=invented or (document is not None and document.invented),
    )
