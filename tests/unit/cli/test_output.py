from __future__ import annotations

from canalwright.cautions import CLINICAL_CAUTIONS, Caution
from canalwright.cli.output import labelled, print_cautions, print_table, progress_bar, table
from canalwright.reports.picking import indices_every_mm


def test_cautions_go_to_standard_error_each_once_with_the_clinical_ones_in_short(capsys):
    own = Caution("OWN", "A sentence.", "key2001")
    print_cautions([own, own, *CLINICAL_CAUTIONS])
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("OWN: A sentence. [key2001]") == 1
    assert "Not a medical device" in err
    assert CLINICAL_CAUTIONS[0].text not in err


def test_tables_go_to_standard_output_with_units_in_the_header(capsys):
    print_table(table("T", (("level mm", "right"), ("name", "left")), [("1.0", "[b]x")]))
    out, err = capsys.readouterr()
    assert "level mm" in out
    assert "[b]x" in out
    assert err == ""


def test_without_a_terminal_progress_is_silent(capsys):
    with progress_bar("Working") as progress:
        progress(0.5)
    assert capsys.readouterr() == ("", "")


def test_rows_are_picked_at_whole_steps_and_at_the_end():
    level = [0.0, 0.4, 0.9, 1.1, 2.0, 2.6]
    assert indices_every_mm(level, 1.0) == [0, 2, 4, 5]


def test_cautions_that_not_all_share_name_their_group():
    shared, own = Caution("A", "Shared."), Caution("B", "Own.")
    found = labelled({"MB": (shared, own), "D": (shared,)})
    assert [caution.text for caution in found] == ["Shared.", "(MB) Own.", "Shared."]
    assert labelled({}) == ()
