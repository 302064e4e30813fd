from __future__ import annotations

import pytest

from canalwright.errors import MalformedText, OutOfRange, UnknownName
from canalwright.instruments.standard import find_instrument
from canalwright.instruments.tray import Tray, TrayEntry, standard_tray


def test_standard_tray_holds_both_series():
    tray = standard_tray()
    assert len(tray.entries) == 48
    assert tray.find("hand-10-02").size == 10
    assert tray.count("engine-50-06") == 1


def test_instruments_that_have_run_out_are_not_offered():
    ten, fifteen = find_instrument("hand-10-02"), find_instrument("hand-15-02")
    tray = Tray("mine", (TrayEntry(ten, 0), TrayEntry(fifteen, 3)))
    assert tray.instruments == (fifteen,)
    assert tray.count("hand-10-02") == 0


def test_an_id_may_occur_once():
    entry = TrayEntry(find_instrument("hand-10-02"))
    with pytest.raises(MalformedText, match="'hand-10-02'"):
        Tray("mine", (entry, entry))


def test_a_count_is_not_negative():
    with pytest.raises(OutOfRange, match="-1"):
        TrayEntry(find_instrument("hand-10-02"), -1)


def test_unknown_instrument_names_the_tray():
    with pytest.raises(UnknownName, match="tray standard"):
        standard_tray().find("hand-12-02")
