"""What is typed into the fields of the workbench."""

from __future__ import annotations

import pytest

from canalwright.errors import BadInput, MalformedText, OutOfRange, QuestionedUnit
from canalwright.evidence import Evidence
from canalwright.web.fields import complaint, read_number, read_number_or_none, read_numbers
from canalwright.web.wishes import (
    LIMIT_NAMES,
    MAIN_LIMITS,
    PlanForm,
    limit_default,
    read_wishes,
)


@pytest.mark.parametrize(
    ("text", "value"),
    [("0.5", 0.5), ("0,5", 0.5), (" 12 ", 12.0), (",5", 0.5), ("1,5 mm", 1.5), ("−2", -2.0)],
)
def test_a_number_may_have_a_decimal_comma(text, value):
    assert read_number(text, name="length", unit="mm") == value


@pytest.mark.parametrize(
    "text", ["", "a", "1.2.3", "1,234,5", "nan", "inf", "1e400", "5 cm", "--1"]
)
def test_what_is_no_number_is_named_with_the_value_received(text):
    with pytest.raises(MalformedText) as caught:
        read_number(text, name="working length", unit="mm")
    assert repr(text) in str(caught.value)
    assert "working length" in str(caught.value).lower()


def test_an_empty_field_is_no_value():
    assert read_number_or_none("  ", name="length") is None
    assert read_number_or_none(None, name="length") is None


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("0; 4; 8,5", (0.0, 4.0, 8.5)),
        ("0 4 8.5", (0.0, 4.0, 8.5)),
        ("0, 4, 8.5", (0.0, 4.0, 8.5)),
        ("0,4,8", (0.0, 4.0, 8.0)),
        ("2,5", (2.5,)),
        ("7", (7.0,)),
    ],
)
def test_lists_are_read_with_any_of_the_usual_separators(text, values):
    assert read_numbers(text, name="levels") == values


def test_an_empty_form_asks_for_the_defaults():
    wishes = read_wishes(PlanForm())
    assert (wishes.target.size, wishes.target.taper_mm_per_mm) == (30, 0.04)
    assert wishes.patency is None
    for name in LIMIT_NAMES:
        assert getattr(wishes.limits, name) == limit_default(name)


def test_every_limit_has_a_field():
    assert set(MAIN_LIMITS) <= set(LIMIT_NAMES)
    assert set(PlanForm().limits) == set(LIMIT_NAMES)


def test_a_changed_limit_is_the_operators_and_the_others_stay():
    form = PlanForm()
    form.limits["step_percent"] = "37,5"
    wishes = read_wishes(form)
    assert wishes.limits.step_percent.value == 37.5
    assert wishes.limits.step_percent.evidence is Evidence.OPERATOR
    assert wishes.limits.engaged_mm == limit_default("engaged_mm")


def test_the_whole_form_reaches_planning():
    form = PlanForm(
        size="25",
        taper="0,06",
        patency="hand-10-02",
        patency_past_mm="0,5",
        working_length_mm="20,5 mm",
        torque="150 gf·cm",
        depths_mm="0; 2,5",
        most="6",
        pin=["hand-15-02"],
    )
    wishes = read_wishes(form)
    assert (wishes.target.size, wishes.target.taper_mm_per_mm) == (25, 0.06)
    assert wishes.patency is not None
    assert wishes.patency.tip_level_mm == -0.5
    assert wishes.options["working_length_mm"] == 20.5
    assert wishes.options["torque_limit_ncm"] == pytest.approx(1.471, abs=0.001)
    assert wishes.options["depths_mm"] == (0.0, 2.5)
    assert wishes.recorded()["pin"] == ["hand-15-02"]


@pytest.mark.parametrize(
    ("field", "text", "error"),
    [
        ("size", "5", OutOfRange),
        ("size", "30,5", MalformedText),
        ("taper", "4", OutOfRange),
        ("torque", "3 N·m", QuestionedUnit),
        ("most", "eight", MalformedText),
        ("working_length_mm", "long", MalformedText),
    ],
)
def test_an_impossible_field_is_refused(field, text, error):
    form = PlanForm()
    setattr(form, field, text)
    with pytest.raises(error):
        read_wishes(form)


@pytest.mark.parametrize("text", ["0", "-1", "much"])
def test_an_impossible_limit_is_refused(text):
    form = PlanForm()
    form.limits["engaged_mm"] = text
    with pytest.raises(BadInput, match=r"(?i)limit engaged mm"):
        read_wishes(form)


def test_a_field_complains_with_the_errors_own_sentence():
    check = complaint(lambda text: read_number(text, name="taper"))
    assert check("0,04") is None
    assert check("") is None
    assert check("x") == "Taper 'x' is not a number. Write it such as 0.5 or 0,5."
