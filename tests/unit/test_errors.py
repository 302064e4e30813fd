from __future__ import annotations

import pickle

import pytest

from canalwright import errors
from canalwright.errors import (
    BadInput,
    CanalwrightError,
    FaultyRows,
    MalformedText,
    MissingScale,
    MissingSpacing,
    NoFeasiblePlan,
    NotACanal,
    NotFoundInScan,
    NotInVolume,
    NotOneTooth,
    OutOfRange,
    QuestionedUnit,
    UnknownName,
    UnreadableFile,
    UsageError,
    field_values,
)

# One example of every leaf, with what its sentence must carry: value, unit, allowed, what to do.
LEAVES = {
    UnknownName: (
        UnknownName(kind="canal", got="MB3", known=("MB", "ML"), hint="Names are case-sensitive."),
        ("canal", "'MB3'", "MB, ML", "case-sensitive"),
    ),
    OutOfRange: (
        OutOfRange(
            name="curve radius",
            got=1.2,
            unit="mm",
            allowed=(2.0, 10.0),
            source="author1997",
            hint="Check the image scale.",
        ),
        ("Curve radius is 1.2 mm", "2 to 10 mm", "(author1997)", "Check the image scale."),
    ),
    QuestionedUnit: (
        QuestionedUnit(name="torque limit", got="3 N·m", meant="3 N·cm", reason="too strong."),
        ("Torque limit 3 N·m", "too strong.", "Did you mean 3 N·cm?"),
    ),
    MalformedText: (
        MalformedText(name="point", got="1,2", expected="three numbers x,y,z in mm", hint="1,2,3"),
        ("Point '1,2'", "three numbers x,y,z in mm", "1,2,3"),
    ),
    UnreadableFile: (
        UnreadableFile(path="scan.nrrd", problem="the file ends early", hint="Copy it again."),
        ("scan.nrrd", "the file ends early", "Copy it again."),
    ),
    FaultyRows: (
        FaultyRows(path="teeth.csv", rows=12, faults=("row 3: size 'x' is no number",)),
        ("eeth.csv", "row 3: size 'x' is no number"),
    ),
    MissingScale: (
        MissingScale(path="tooth.jpg", reason="a picture states no scale"),
        ("tooth.jpg", "no scale", "millimeters", "--scale-mm-per-px", "--known-length-mm"),
    ),
    MissingSpacing: (
        MissingSpacing(path="tooth.nhdr", reason="the header gives no spacing"),
        ("tooth.nhdr", "no spacing", "millimeters", "--spacing z,y,x"),
    ),
    NotInVolume: (
        NotInVolume(
            name="orifice", point_mm=(1.0, 2.0, 90.0), low_mm=(0, 0, 0), high_mm=(20, 20, 30)
        ),
        ("Orifice (1.00, 2.00, 90.00) mm", "z 0.0 to 30.0", "x,y,z in mm"),
    ),
    NotFoundInScan: (
        NotFoundInScan(sought="dark canal", reason="all is bright", hint="Point it out."),
        ("No dark canal was found", "all is bright", "Point it out."),
    ),
    NotOneTooth: (
        NotOneTooth(problem="their surfaces differ by 0.9 mm", hint="Give one tooth twice."),
        ("do not show the same tooth", "differ by 0.9 mm", "Give one tooth twice."),
    ),
    NotACanal: (
        NotACanal(name="MB", problem="both points lie in air", hint="Click inside the tooth."),
        ("'MB'", "both points lie in air", "Click inside the tooth."),
    ),
    NoFeasiblePlan: (
        NoFeasiblePlan(target="30/.06", binding=("dentin 0.2 mm < 0.3 mm",), nearest="25/.04"),
        ("30/.06", "dentin 0.2 mm < 0.3 mm", "25/.04"),
    ),
}  # fmt: skip

EXIT_CODES = {UnknownName: 2, NoFeasiblePlan: 4}


def leaves(kind=CanalwrightError):
    below = kind.__subclasses__()
    return {kind} if not below else set().union(*(leaves(one) for one in below))


def test_every_leaf_has_an_example():
    ours = {leaf for leaf in leaves() if leaf.__module__ == errors.__name__}
    assert ours == set(LEAVES)


def test_tree_in_the_docstring_is_the_tree():
    drawn = {word for word in errors.__doc__.split() if word.isidentifier()}
    for leaf in (*LEAVES, BadInput, UsageError, CanalwrightError):
        assert leaf.__name__ in drawn
        assert f"{leaf.__name__}" in errors.__all__


@pytest.mark.parametrize("leaf", LEAVES, ids=lambda leaf: leaf.__name__)
class TestLeaf:
    def test_sentence_carries_its_fields_on_one_line(self, leaf):
        error, parts = LEAVES[leaf]
        assert all(part in str(error) for part in parts), str(error)
        assert "\n" not in str(error)
        assert str(error)[0].isupper() or str(error).startswith(("scan", "tooth", "teeth"))

    def test_exit_code(self, leaf):
        assert LEAVES[leaf][0].exit_code == EXIT_CODES.get(leaf, 3)

    def test_survives_pickling(self, leaf):
        error, _ = LEAVES[leaf]
        again = pickle.loads(pickle.dumps(error))
        assert type(again) is leaf
        assert str(again) == str(error)
        assert field_values(again) == field_values(error) != {}


def test_plain_error_survives_pickling_and_has_no_fields():
    again = pickle.loads(pickle.dumps(BadInput("two\n lines")))
    assert str(again) == "two lines"
    assert again.exit_code == 3
    assert field_values(again) == {}


@pytest.mark.parametrize(
    ("allowed", "said"),
    [
        ((0.0, None), "at least 0 mm"),
        ((None, 2.5), "at most 2.5 mm"),
        ((None, None), "allowed: any"),
        ((1.0, 2.0), "1 to 2 mm"),
    ],
)
def test_range_in_words(allowed, said):
    assert said in str(OutOfRange(name="step", got=-1.0, unit="mm", allowed=allowed))


@pytest.mark.parametrize(
    ("got", "allowed", "above", "said"),
    [
        (0.0, (0.0, None), False, "allowed: above 0 mm"),
        (-1.0, (0.0, None), True, "allowed: above 0 mm"),
        (0.0, (0.0, 0.2), False, "allowed: above 0, at most 0.2 mm"),
        (0.2, (0.0, 0.2), False, "allowed: at least 0, below 0.2 mm"),
        (0.2, (None, 0.2), False, "allowed: below 0.2 mm"),
        (0.0, (0.0, 0.0), False, "allowed: 0 to 0 mm"),
    ],
)
def test_an_end_that_is_refused_is_not_said_to_be_allowed(got, allowed, above, said):
    error = OutOfRange(name="step", got=got, unit="mm", allowed=allowed, above=above)
    assert said in str(error)


def test_long_list_of_known_names_is_cut():
    error = UnknownName(kind="instrument", got="x", known=tuple(f"i{k}" for k in range(40)))
    assert "i11, …" in str(error)
    assert "i12" not in str(error)


def test_plan_without_named_limit_says_so():
    assert "no instrument in the tray reaches it" in str(
        NoFeasiblePlan(target="40/.04", binding=())
    )
