"""Whether the rod in a canal finds its equilibrium in seeded random cases, with counts.

Run as ``python benchmarks/rod_robustness.py [--cases N] [--out FILE]``. The cases are those of the
test ``tests/analytic/test_rod_robustness.py``, which fails if one of them has no equilibrium.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "analytic"))

import numpy as np
from test_rod_robustness import CASES, SEED, Trial, trial

from canalwright.mechanics.rod_in_canal import RodInCanal, rod_in_canal


@dataclass(frozen=True)
class Kind:
    """Cases of one kind: how many, without an equilibrium, iterations, what is left unbalanced."""

    name: str
    cases: int
    failed: int
    median: float
    ninety_nine: float
    most: int
    residual_n: float


def kinds_of(case: Trial, found: RodInCanal) -> set[str]:
    """Return the kinds that a case belongs to."""
    named = {"all", case.text.split()[0], "planar" if case.path.is_planar else "in space"}
    if case.path.wall_narrow_mm is not None:
        named.add("oval")
    if np.min(found.clearance_mm) < 0.0:
        named.add("binding")
    return named | ({"held"} if case.held else set())


def solved(count: int) -> list[tuple[set[str], RodInCanal]]:
    """Return every case with its kinds."""
    generator, found = np.random.default_rng(SEED), []
    for _ in range(count):
        case = trial(generator)
        result = rod_in_canal(case.path, case.rod, held=case.held)
        found.append((kinds_of(case, result), result))
    return found


def summary(name: str, found: list[RodInCanal]) -> Kind:
    """Return the counts of one kind."""
    iterations = np.array([one.convergence.iterations for one in found])
    good = [one.convergence.converged and np.all(np.isfinite(one.offset_mm)) for one in found]
    return Kind(
        name=name,
        cases=len(found),
        failed=len(found) - sum(good),
        median=float(np.median(iterations)),
        ninety_nine=float(np.percentile(iterations, 99)),
        most=int(iterations.max()),
        residual_n=max(one.convergence.residual_n for one in found),
    )


def table(count: int) -> str:
    """Return the counts as a Markdown table."""
    found = solved(count)
    names = ["all", *sorted({name for named, _ in found for name in named} - {"all"})]
    lines = [
        f"{count} random canals and instruments, seed {SEED}; a case counts as failed when the "
        "search does not end at an equilibrium.",
        "",
        "| kind | cases | failed | iterations, median | 99th percentile | most |"
        " largest unbalanced force, N |",
        "|---|---|---|---|---|---|---|",
    ]
    for name in names:
        one = summary(name, [result for named, result in found if name in named])
        lines.append(
            f"| {name} | {one.cases} | {one.failed} | {one.median:.0f} | {one.ninety_nine:.0f} | "
            f"{one.most} | {one.residual_n:.0e} |"
        )
    return "\n".join(lines) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=CASES)
    parser.add_argument("--out", type=Path, help="write the table to this Markdown file")
    chosen = parser.parse_args()
    text = table(chosen.cases)
    if chosen.out:
        chosen.out.write_text(text, "utf-8")
    print(text)


if __name__ == "__main__":
    main()
