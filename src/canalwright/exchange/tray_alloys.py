"""Alloys of one's own in a YAML tray: copies of a class with some values changed.

```yaml
alloys:
  - name: my-wire
    class: niti-superelastic
    elastic_modulus_mpa: 62000                  # a plain number is stated by the operator
    plateau_stress_mpa: {value: 430, evidence: measured, sd: 15, note: tensile test, 37 °C}
```

What is not given is that of the class, as is what a class does not have: a plateau of steel
cannot be added.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Annotated, Any, Final

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from canalwright.errors import CanalwrightError, UnknownName, UnreadableFile
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.alloys import AlloySet, alloy_set, edited, graded_values
from canalwright.instruments.instrument import Alloy

__all__ = ["ALLOY_WORDS", "AlloyRow", "alloy_row", "alloys_from_rows", "word_of_alloy"]

ALLOY_WORDS: Final[dict[str, Alloy]] = {
    "stainless": Alloy.STAINLESS,
    "niti-superelastic": Alloy.NITI_SUPERELASTIC,
    "niti-heat-treated": Alloy.NITI_HEAT_TREATED,
}


class GradedRow(BaseModel):
    """A value of an alloy and where it comes from; its unit is in the name of the key."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    value: float
    evidence: Evidence = Evidence.OPERATOR
    source: str = ""
    sd: float | None = Field(default=None, ge=0)
    note: str = ""


def _as_graded(value: Any) -> Any:
    plain = isinstance(value, (int, float)) and not isinstance(value, bool)
    return {"value": value} if plain else value


Value = Annotated[GradedRow, BeforeValidator(_as_graded)]


class AlloyRow(BaseModel):
    """One alloy of one's own."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    name: str = Field(min_length=1, max_length=80, pattern=r"^\w")
    class_: str = Field(alias="class", description="One of: " + ", ".join(ALLOY_WORDS))
    reference_temperature_c: float | None = Field(default=None, ge=0, le=60)
    elastic_modulus_mpa: Value | None = None
    poisson_ratio: Value | None = None
    tensile_strength_mpa: Value | None = None
    shear_strength_mpa: Value | None = None
    yield_stress_mpa: Value | None = None
    hardening_modulus_mpa: Value | None = None
    plateau_stress_mpa: Value | None = None
    plateau_modulus_mpa: Value | None = None
    plateau_end_strain: Value | None = None
    final_modulus_mpa: Value | None = None
    plateau_per_kelvin_mpa: Value | None = None


def word_of_alloy(alloy: Alloy) -> str:
    """Return the word by which tray files call an alloy class."""
    return next(word for word, meant in ALLOY_WORDS.items() if meant is alloy)


def alloys_from_rows(path: str, rows: Any) -> dict[str, AlloySet]:
    """Return the alloys of a tray by name.

    Raises
    ------
    UnreadableFile
        If one cannot be used; the sentence names it and its value.
    """
    found: dict[str, AlloySet] = {}
    if not isinstance(rows, list):
        raise UnreadableFile(path=path, problem="'alloys' is not a list of alloys")
    for number, row in enumerate(rows, start=1):
        place = f"alloy {number}"
        if isinstance(row, Mapping) and row.get("name"):
            place = f"alloy {row['name']!r}"
        try:
            made = _set_from_row(AlloyRow.model_validate(row))
        except ValidationError as error:
            first = error.errors(include_url=False)[0]
            where = ".".join(str(part) for part in first["loc"]) or "it"
            problem = f"{place}: {where} is {first['input']!r}; {first['msg']}"
            raise UnreadableFile(path=path, problem=problem) from None
        except CanalwrightError as error:
            raise UnreadableFile(path=path, problem=f"{place}: {error}") from None
        if made.name in found or made.name in {*ALLOY_WORDS, *Alloy}:
            raise UnreadableFile(path=path, problem=f"{place}: this name is already taken")
        found[made.name] = made
    return found


def _set_from_row(row: AlloyRow) -> AlloySet:
    if row.class_ not in ALLOY_WORDS:
        raise UnknownName(kind="alloy class", got=row.class_, known=tuple(ALLOY_WORDS))
    original = alloy_set(ALLOY_WORDS[row.class_])
    values = {
        field: _graded(value, field)
        for field in AlloyRow.model_fields
        if isinstance(value := getattr(row, field), GradedRow)
    }
    made = edited(original, row.name, **values)
    if row.reference_temperature_c is None:
        return made
    return replace(made, reference_temperature_c=row.reference_temperature_c)


def _graded(row: GradedRow, field: str) -> Graded:
    unit = "" if field in {"poisson_ratio", "plateau_end_strain"} else "MPa"
    unit = "MPa/K" if field == "plateau_per_kelvin_mpa" else unit
    return Graded(row.value, unit, row.evidence, row.source, row.sd, row.note)


def alloy_row(chosen: AlloySet) -> dict[str, Any]:
    """Return a set as the keys of a tray file, every value with its origin."""
    row: dict[str, Any] = {
        "name": chosen.name,
        "class": word_of_alloy(chosen.alloy),
        "reference_temperature_c": chosen.reference_temperature_c,
    }
    for field, graded in graded_values(chosen).items():
        details: Iterable[tuple[str, Any]] = (
            ("evidence", graded.evidence.value),
            ("source", graded.source),
            ("sd", graded.sd),
            ("note", graded.note),
        )
        kept = {name: value for name, value in details if value not in (None, "")}
        row[field] = {"value": graded.value, **kept}
    return row
