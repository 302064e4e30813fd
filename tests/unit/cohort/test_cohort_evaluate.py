"""Cohorts of specimens: failures by row, going on, the same bits anywhere, lost workers."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner

from canalwright.cli.app import app
from canalwright.cohort.evaluating import evaluate_cohort
from canalwright.cohort.populations import population
from canalwright.cohort.running import Executor, outcomes, reason_of
from canalwright.cohort.specimen import RowTask, run_row
from canalwright.cohort.study import Study, canal_rows
from canalwright.cohort.table import read_table
from canalwright.errors import MalformedText, UnreadableFile, UsageError
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text
from canalwright.imaging.phantom_models import root_phantom
from canalwright.imaging.phantom_pairs import Preparation, prepared_truth
from canalwright.instruments.standard import instrument_from_id
from canalwright.shaping.shape import Pass

# Dask's own threads and sockets end after the test that started them.
pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")


@pytest.fixture
def cohort(tmp_path) -> Path:
    """Return a table of two good pairs, one canal alone, and a damaged file."""
    rows = ["id,before,after,canal,group,pair,age"]
    for k, group in enumerate("AB"):
        made = Preparation(apical_mm=0.3 + 0.05 * k)
        for name, canal in zip(("b", "a"), prepared_truth(root_phantom(k), "main", made), strict=1):
            text = document_text(canals_document((canal,), {}))
            (tmp_path / f"{group}-{name}.json").write_text(text)
        rows.append(f"{group},{group}-b.json,{group}-a.json,main,{group},,{20 + k}")
    (tmp_path / "bad.json").write_text('{"schema": "canalwright/canals@1", "canals": [')
    rows += ["bad,bad.json,bad.json,main,A,,30", "alone,A-b.json,,main,B,,31"]
    table = tmp_path / "table.csv"
    table.write_text("\n".join(rows) + "\n")
    return table


def kept(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted((folder / "rows").glob("*.json"))}


def test_a_damaged_row_is_named_and_the_rest_complete(cohort, tmp_path):
    result = CliRunner().invoke(app, ["cohort", str(cohort), "--out", str(tmp_path / "out")])
    assert result.exit_code == 0, result.stderr
    assert "bad failed" in result.stderr
    assert "3 of 4 specimens were evaluated" in result.stdout
    with (tmp_path / "out" / "results.csv").open() as handle:
        rows = {row["id"]: row for row in csv.DictReader(handle)}
    assert rows["bad"]["status"] == "failed"
    assert "not JSON" in rows["bad"]["reason"]
    assert float(rows["A"]["removed_mm3"]) > 0.0
    assert float(rows["alone"]["length_mm"]) > 5.0
    document = json.loads((tmp_path / "out" / "cohort.json").read_text())
    assert document["schema"] == "canalwright/cohort@1"
    assert {c["code"] for c in document["cautions"]} >= {"SEVERAL_COMPARISONS"}
    assert (tmp_path / "out" / "report.pdf").read_bytes().startswith(b"%PDF")
    assert "not JSON" in (tmp_path / "out" / "report.html").read_text()


def test_finished_rows_are_not_redone_and_changed_ones_are(cohort, tmp_path):
    table, out = read_table(cohort), tmp_path / "out"
    first = evaluate_cohort(table, out)
    assert not any(row.reused for row in first.rows)
    again = evaluate_cohort(table, out)
    assert {row.id for row in again.rows if row.reused} == {"A", "B", "alone"}
    assert [row.measures for row in again.rows] == [row.measures for row in first.rows]
    changed = tmp_path / "A-a.json"
    changed.write_text(changed.read_text() + "\n")
    later = evaluate_cohort(table, out)
    assert {row.id for row in later.rows if row.reused} == {"B", "alone"}
    other_seed = evaluate_cohort(table, out, seed=5)
    assert not any(row.reused for row in other_seed.rows)


def test_a_half_written_row_is_done_again(cohort, tmp_path):
    table, out = read_table(cohort), tmp_path / "out"
    evaluate_cohort(table, out)
    before = kept(out)
    (out / "rows" / "A.json").write_text('{"status": "done", "key"')
    again = evaluate_cohort(table, out)
    assert {row.id for row in again.rows if row.reused} == {"B", "alone"}
    assert kept(out) == before


def _anything(argument):
    """Do one of several kinds of task; one of them takes its process down the first time."""
    kind, content = argument
    if kind == "weak" and not Path(content).exists():
        Path(content).write_text("was here")
        os.kill(os.getpid(), signal.SIGKILL)
    if kind == "row":
        return run_row(content)
    return canal_rows(content, 1) if kind == "canal" else "survived"


def test_a_worker_process_finds_the_same_bits_and_its_loss_loses_nothing(cohort, tmp_path):
    (row, *_) = read_table(cohort).rows
    protocols = (("hand", (Pass(instrument_from_id("hand-15-02")),)),)
    study = Study(population("lower-molar-mesiobuccal"), protocols, count=2)
    tasks = {
        "row": ("row", RowTask(row, 0)),
        "weak": ("weak", str(tmp_path / "mark")),
        "canal": ("canal", study),
    }
    found = {one.name: one for one in outcomes(_anything, tasks.items(), Executor(workers=1))}
    assert {one.reason for one in found.values()} == {""}
    assert found["weak"].result == "survived"
    assert found["row"].result == run_row(RowTask(row, 0))
    (there,), (here,) = found["canal"].result, canal_rows(study, 1)
    # NaN (no fatigue test) equals itself as text.
    assert {k: repr(v) for k, v in there.items()} == {k: repr(v) for k, v in here.items()}


def test_reasons_are_sentences():
    class KilledWorker(Exception):
        pass

    assert "give each worker more" in reason_of(KilledWorker("x"))
    assert "give each worker more" in reason_of(MemoryError())
    assert reason_of(ValueError("odd\n thing")) == "ValueError: odd thing"
    assert reason_of(UsageError("Say it so.")) == "Say it so."


def test_a_killed_client_goes_on_where_it_was(cohort, tmp_path):
    out = tmp_path / "out"
    command = [
        str(Path(sys.executable).with_name("canalwright")),
        "cohort",
        str(cohort),
        "--out",
        str(out),
    ]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as client:
        first = out / "rows" / "A.json"
        for _ in range(600):
            if first.exists() or client.poll() is not None:
                break
            time.sleep(0.05)
        client.kill()
    assert json.loads(first.read_text())["status"] == "done"
    again = evaluate_cohort(read_table(cohort), out)
    assert "A" in {row.id for row in again.rows if row.reused}
    assert {row.status for row in again.rows if row.id != "bad"} == {"done"}


def test_tables_that_make_no_sense_are_refused_before_anything_runs(tmp_path):
    table = tmp_path / "t.csv"
    for text, error, said in (
        ("", UnreadableFile, "no rows"),
        ("id,before\n", UnreadableFile, "no rows"),
        ("name,before\na,b\n", MalformedText, "a column 'id'"),
        ("id,before\na,b\na,c\n", MalformedText, "only once"),
        ("id,before\n../a,b\n", MalformedText, "letters"),
        ("id,before\na,\n", MalformedText, "a path"),
        ("id,before,tolerance_mm\na,b,wide\n", MalformedText, "a number in mm"),
    ):
        table.write_text(text)
        with pytest.raises(error, match=said):
            read_table(table)
    with pytest.raises(UnreadableFile, match="cannot be read"):
        read_table(tmp_path / "none.csv")


def test_workers_and_a_scheduler_exclude_each_other():
    with pytest.raises(UsageError, match="not both"):
        Executor(workers=2, scheduler="tcp://127.0.0.1:8786")
