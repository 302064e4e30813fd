from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from canalwright.cli.app import app
from support.record_samples import canals_text

RUN = CliRunner()


@pytest.fixture
def call(tmp_path, monkeypatch):
    monkeypatch.setenv("CANALWRIGHT_DATA", str(tmp_path / "data"))
    monkeypatch.delenv("CANALWRIGHT_DATABASE", raising=False)
    monkeypatch.chdir(tmp_path)

    def run(*arguments: str, code: int = 0):
        done = RUN.invoke(app, list(arguments))
        assert done.exit_code == code, done.output
        return done

    return run


def data(done):
    return json.loads(done.stdout)


def test_a_case_from_its_first_visit_to_its_recall(call, tmp_path):
    (tmp_path / "canals.json").write_bytes(canals_text())
    assert (
        call("cases", "new", "--pseudonym", "C-1", "--tooth", "36", "--invented").stdout == "C-1\n"
    )
    call("cases", "attach", "C-1", "canals.json")
    call("lives", "open", "B25-7", "--instrument", "engine-25-04", "--most-uses", "1")
    call("visits", "start", "C-1", "--tooth", "36", "--operator", "ada")
    call(
        "visits", "log", "C-1", "instrument", "--physical", "B25-7", "--canal", "MB",
        "--to-level-mm", "0", "--seconds", "9", "--peak-torque", "80 gf·cm",
    )  # fmt: skip
    call("visits", "log", "C-1", "irrigation", "--detail", "volume_ml=3")
    call("visits", "amend", "C-1", "1", "--to-level-mm", "0.5", "--reason", "misread")
    call("visits", "close", "C-1")
    call("recall", "C-1", "--periapical-index", "2", "--outcome", "healing", "--tooth", "36")
    shown = data(call("cases", "show", "C-1", "--json", "-"))
    assert shown["schema"] == "canalwright/case@1"
    first, second = shown["events"]
    assert (first["to_level_mm"], first["version"]) == (0.5, 2)
    assert first["peak_torque_ncm"] == pytest.approx(0.7845, abs=1e-4)  # 80 gf·cm
    assert second["details"] == {"volume_ml": 3.0}
    assert shown["recalls"][0]["periapical_index"] == 2
    assert [entry["reason"] for entry in shown["history"] if entry["reason"]] == [
        "misread", "visit closed",
    ]  # fmt: skip
    text = call("cases", "show", "C-1", "--history").stdout
    assert "INVENTED" in text
    assert "misread" in text
    (life,) = data(call("lives", "list", "--json", "-"))["lives"]
    assert life["discard_reasons"] == ["used in 1 visits, at most 1"]
    assert "C-1" in call("lives", "show", "B25-7").stdout
    assert "B25-7" in call("lives", "in", "C-1").stdout
    assert data(call("lives", "used", "--json", "-"))["lives"] == []


def test_lists_are_searched_and_paged(call):
    for number in range(3):
        call("cases", "new", "--pseudonym", f"C-{number}", "--label", "lower molar")
    page = data(call("cases", "list", "--limit", "2", "--json", "-"))
    assert [line["case"]["pseudonym"] for line in page["cases"]] == ["C-2", "C-1"]
    rest = data(call("cases", "list", "--before", str(page["next_before"]), "--json", "-"))
    assert [line["case"]["pseudonym"] for line in rest["cases"]] == ["C-0"]
    assert "C-1" in call("cases", "search", "mol 1").stdout
    call("cases", "withdraw", "C-1", "--reason", "entered twice")
    assert "C-1" not in call("cases", "list").stdout


def test_backup_restore_export_and_import(call, tmp_path, monkeypatch):
    call("cases", "new", "--pseudonym", "C-1", "--invented")
    made = data(call("backup", "one.backup", "--json", "-"))
    assert data(call("doctor", "--head", f"{made['sequence']}:{made['hash']}", "--json", "-"))[
        "sound"
    ]
    call("restore", "one.backup", "--into", "again")
    assert "C-1" in call("cases", "list", "--data", "again").stdout
    call("export", "C-1", "--out", "out")
    assert (tmp_path / "out" / "case.pdf").read_bytes().startswith(b"%PDF-")
    report = data(call("import", "out", "--data", "third", "--dry-run", "--json", "-"))
    assert len(report["cases"][0]["new"]) == 1
    call("import", "out", "--data", "third")
    assert "C-1" in call("cases", "list", "--data", "third").stdout
    monkeypatch.setenv("CANALWRIGHT_PASSPHRASE", "correct horse")
    call("backup", "two.backup", "--encrypt")
    monkeypatch.setenv("CANALWRIGHT_PASSPHRASE", "wrong horse")
    refused = call("restore", "two.backup", "--into", "fourth", code=3)
    assert "this passphrase does not open the backup" in refused.stderr
    assert not (tmp_path / "fourth").exists()


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (("cases", "show", "C-9"), 3, "No case 'C-9' is recorded here."),
        (("cases", "list", "--status", "new"), 2, "There is no status of a case called 'new'"),
        (("visits", "log", "C-1", "explosion"), 2, "There is no kind of event"),
        (("visits", "close", "C-1"), 2, "No visit of C-1 goes on"),
        (("recall", "C-1", "--periapical-index", "6"), 3, "Periapical index is 6"),
        (("cases", "new", "--pseudonym", "C-1"), 3, "A case 'C-1' is recorded already."),
        (("cases", "amend", "C-1", "--reason", "x"), 2, "Nothing to correct"),
        (("cases", "attach", "C-1", "nothing.json"), 3, "nothing.json: cannot be read"),
        (("lives", "show", "B9"), 3, "No instrument with the code 'B9'"),
        (("stats", "--by", "weather"), 2, "There is no grouping called 'weather'"),
        (("stats", "--since", "yesterday"), 3, "'yesterday' is not a date"),
        (("doctor", "--head", "12"), 3, "a number, a colon and 64 digits"),
        (("restore", "none", "--into", "x"), 2, "there is no such backup"),
        (("import", "none"), 2, "there is no such folder"),
        (("backup", "--database", "mysql://x/y"), 3, "this is no database URL"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(call, arguments, code, sentence):
    call("cases", "new", "--pseudonym", "C-1")
    done = call(*arguments, code=code)
    assert sentence in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""


def test_doctor_ends_with_3_at_a_fault(call, tmp_path):
    import contextlib
    import sqlite3

    call("cases", "new", "--pseudonym", "C-1")
    path = tmp_path / "data" / "records.sqlite3"
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE cases SET label = 'forged'")
    done = call("doctor", code=3)
    assert "FAULT: a row of cases" in done.stdout
    assert "the records are damaged" in done.stderr


def test_statistics_write_tables_and_figures(call, tmp_path):
    call("cases", "new", "--pseudonym", "C-1", "--difficulty", "high")
    call("visits", "start", "C-1")
    call("visits", "log", "C-1", "instrument", "--instrument", "hand-10-02", "--seconds", "9",
         "--canal", "MB")  # fmt: skip
    call("visits", "log", "C-1", "ledge", "--canal", "MB")
    found = data(call("stats", "--csv", "tables", "--figures", "figures", "--json", "-"))
    (ledge,) = (row for row in found["mishaps"] if row["mishap"] == "ledge")
    assert (ledge["count"], ledge["of"]) == (1, 1)
    assert ledge["low"] == pytest.approx(0.2065, abs=1e-4)  # Wilson, 1 of 1: 1/(1 + z²)
    assert (tmp_path / "tables" / "mishaps.csv").read_text().startswith("group,mishap,count,of")
    assert {path.name for path in (tmp_path / "figures").iterdir()} >= {
        "statistics-run.png", "statistics-funnel.png",
    }  # fmt: skip


def test_stock_counts_down(call):
    call("stock", "receive", "engine-25-04", "2", "--lot", "L7", "--expires", "2020-01-01")
    (line,) = data(call("stock", "list", "--json", "-"))["stock"]
    call("lives", "open", "A1", "--instrument", "engine-25-04",
         "--from-stock", line["delivery"]["id"][:8])  # fmt: skip
    (line,) = data(call("stock", "list", "--json", "-"))["stock"]
    assert (line["left_count"], line["expired"]) == (1, True)
    assert "EXPIRED" in call("stock", "list").stdout
