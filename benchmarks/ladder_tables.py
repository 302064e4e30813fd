"""Tables of the phantom ladder: figures per rung, and whether what is wanted is met."""

from __future__ import annotations

import numpy as np


def gathered(results, key):
    return np.concatenate([np.atleast_1d(result[key]) for result in results])


def bias(results, key):
    return 1000.0 * float(np.nanmean(gathered(results, key)))


def mean(results, key, scale=1000.0):
    return scale * float(np.nanmean(np.abs(gathered(results, key))))


def p95(results, key):
    return 1000.0 * float(np.nanpercentile(np.abs(gathered(results, key)), 95.0))


def most(results, key, scale=1.0):
    return scale * float(np.nanmax(np.abs(gathered(results, key))))


def share(results, key):
    return 100.0 * float(np.nanmean(gathered(results, key)))


def table(head, rows):
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join(lines + ["| " + " | ".join(row) + " |" for row in rows])


def size_row(name, done, total):
    return [
        name,
        f"{len(done)}/{total}",
        f"{share(done, 'seen'):.0f}",
        f"{bias(done, 'error'):+.1f}",
        f"{p95(done, 'error'):.1f}",
        f"{bias(done, 'usual'):+.0f} / {p95(done, 'usual'):.0f}",
        f"{mean(done, 'narrow'):.1f} / {mean(done, 'wide'):.1f}",
        f"{share(done, 'covered'):.0f}",
        f"{share(done, 'narrow_covered'):.0f} / {share(done, 'wide_covered'):.0f}",
        f"{np.median(gathered(done, 'seconds')):.2f}",
    ]


SIZE_HEAD = (
    "rung", "measured", "levels seen %", "D bias µm", "D 95 % µm", "half-max bias / 95 % µm",
    "narrow / wide mean µm", "D within 1 sd %", "narrow / wide within 1 sd %", "CPU s",
)  # fmt: skip


def course_row(name, done, voxel_mm):
    usual_gap = gathered(done, "usual_gap") / voxel_mm
    return [
        name,
        f"{mean(done, 'gap', 1.0):.3f} / {most(done, 'gap'):.2f}",
        f"{usual_gap.mean():.3f} / {usual_gap.max():.2f}",
        f"{most(done, 'length', 1000.0):.0f}",
        f"{most(done, 'usual_length', 1000.0):.0f}",
        f"{most(done, 'schneider'):.2f}",
        f"{most(done, 'usual_schneider'):.2f}",
        f"{most(done, 'tangent'):.2f}",
        f"{most(done, 'usual_tangent'):.2f}",
        f"{most(done, 'turning'):.1f}",
        f"{most(done, 'radius'):.1f}",
        f"{most(done, 'usual_radius'):.1f}",
    ]


COURSE_HEAD = (
    "rung", "centerline mean / max voxel", "half-max mean / max voxel", "length max µm",
    "half-max length max µm", "Schneider max °", "half-max Schneider max °", "tangents max °",
    "half-max tangents max °", "total turning max °", "least radius max %",
    "half-max least radius max %",
)  # fmt: skip


def wall_row(name, done):
    return [
        name,
        f"{bias(done, 'wall'):+.0f} / {mean(done, 'wall'):.0f}",
        f"{bias(done, 'usual_wall'):+.0f} / {mean(done, 'usual_wall'):.0f}",
        f"{p95(done, 'wall'):.0f}",
        f"{share(done, 'wall_covered'):.0f}",
        f"{mean(done, 'wall_min'):.0f} / {most(done, 'wall_min', 1000.0):.0f}",
        f"{mean(done, 'usual_wall_min'):.0f} / {most(done, 'usual_wall_min', 1000.0):.0f}",
    ]


WALL_HEAD = (
    "rung", "wall bias / mean µm", "half-max bias / mean µm", "wall 95 % µm",
    "wall within 1 sd %", "thinnest mean / max µm", "half-max thinnest mean / max µm",
)  # fmt: skip


def by_size(done):
    """Diameter errors by true diameter."""
    error, true = gathered(done, "error"), gathered(done, "true")
    rows = []
    for low, high in ((0.1, 0.2), (0.2, 0.3), (0.3, 0.5), (0.5, 1.1)):
        inside = (true >= low) & (true < high)
        if inside.sum() > 20:
            part = 1000.0 * error[inside]
            rows.append(
                [f"{low}–{high}", f"{part.mean():+.1f}", f"{np.percentile(np.abs(part), 95):.1f}"]
            )
    return table(("true mm", "bias µm", "95 % µm"), rows)


def verdict(wanted, values, limit_of, unit):
    """One row: what is wanted and the worst value per voxel size."""
    cells = []
    for voxel, value in values.items():
        limit = limit_of(voxel)
        low, high = limit if isinstance(limit, tuple) else (-np.inf, limit)
        met = low <= value <= high
        cells.append(f"{voxel}: {value:.3g} {unit} {'met' if met else '**not met**'}")
    return [wanted, "; ".join(cells)]


def worst(groups, figure):
    """Largest figure of the rungs of every voxel size."""
    return {voxel: max(figure(done) for done in rungs) for voxel, rungs in groups.items()}


def farthest(groups, key):
    """Share within one deviation farthest from 68 %, per voxel size."""
    return {
        voxel: max((share(done, key) for done in rungs), key=lambda value: abs(value - 68.0))
        for voxel, rungs in groups.items()
    }


def clean_verdicts(groups):
    def one(wanted, figure, limit, unit="µm"):
        limit_of = limit if callable(limit) else (lambda _voxel: limit)
        return verdict(wanted, worst(groups, figure), limit_of, unit)

    return [
        one("diameter: mean bias at most 5 µm", lambda d: abs(bias(d, "error")), 5.0),
        one("diameter: 95 % within 15 µm", lambda d: p95(d, "error"), 15.0),
        one("centerline: mean at most 0.05 voxel", lambda d: mean(d, "gap", 1.0), 0.05, "voxel"),
        one("centerline: at most 0.2 voxel", lambda d: most(d, "gap"), 0.2, "voxel"),
        one("length: within 30 µm", lambda d: most(d, "length", 1000.0), 30.0),
        one("Schneider angle: within 0.5°", lambda d: most(d, "schneider"), 0.5, "°"),
        one("angle of the end tangents: within 1°", lambda d: most(d, "tangent"), 1.0, "°"),
        one(
            "least radius: within 5 % (12 % at 0.2 mm)",
            lambda d: most(d, "radius"),
            lambda voxel: 12.0 if voxel == 0.2 else 5.0,
            "%",
        ),
        one("thinnest wall: within 30 µm", lambda d: most(d, "wall_min", 1000.0), 30.0),
    ]


def stress_verdicts(groups):
    def one(wanted, figure, limit, unit="µm"):
        limit_of = limit if callable(limit) else (lambda _voxel: limit)
        return verdict(wanted, worst(groups, figure), limit_of, unit)

    return [
        one("diameter: mean bias at most 15 µm", lambda d: abs(bias(d, "error")), 15.0),
        one("diameter: 95 % within 50 µm", lambda d: p95(d, "error"), 50.0),
        one("centerline: mean at most 0.15 voxel", lambda d: mean(d, "gap", 1.0), 0.15, "voxel"),
        one(
            "wall: mean error at most 30 µm (50 at 0.2 mm)",
            lambda d: mean(d, "wall"),
            lambda voxel: 50.0 if voxel == 0.2 else 30.0,
        ),
        one("thinnest wall: within 50 µm", lambda d: most(d, "wall_min", 1000.0), 50.0),
        one(
            "least radius: within 15 % (30 % at 0.2 mm)",
            lambda d: most(d, "radius"),
            lambda voxel: 30.0 if voxel == 0.2 else 15.0,
            "%",
        ),
    ]


def coverage_verdicts(groups):
    return [
        verdict(
            f"{label}: 68 % intervals hold the truth 60 to 80 % of the time",
            farthest(groups, key),
            lambda _voxel: (60.0, 80.0),
            "%",
        )
        for label, key in (
            ("diameter", "covered"),
            ("narrow width", "narrow_covered"),
            ("wide width", "wide_covered"),
            ("thinnest dentin per level", "wall_covered"),
        )
    ]


def narrowed_rows(name, done):
    return [
        name,
        f"{sum(r['faded'] for r in done)}/{len(done)}",
        f"{1000 * np.mean([r['off_mm'] for r in done]):.0f} / "
        f"{1000 * max(r['off_mm'] for r in done):.0f}",
        f"{1000 * max(r['off_faded_mm'] for r in done):.0f}",
        f"{most(done, 'faded_error', 1000.0):.0f}" if any(r["faded"] for r in done) else "–",
        f"{most(done, 'wall_faded', 1000.0):.0f}" if any(r["faded"] for r in done) else "–",
    ]


TERMINUS_LIMIT_MM = {0.08: 0.1, 0.125: 0.15, 0.2: 0.3}


def terminus_row(name, done, total):
    moved = [r for r in done if r["moved"]]
    off = [1000 * r["off"] for r in moved]
    limit = TERMINUS_LIMIT_MM[done[0]["voxel"]]
    met = bool(off) and max(off) <= 1000 * limit
    return [
        name,
        f"{len(moved)}/{total}",
        f"{len(done) - len(moved)}",
        f"{np.mean(off):.0f} / {max(off):.0f}" if off else "–",
        f"{1000 * limit:.0f} {'met' if met else '**not met**'} "
        f"({sum(value <= 1000 * limit for value in off)} of {len(off)} within)",
    ]


def section_row(name, done, total):
    means = 1000 * np.array([r["mean"] for r in done])
    usual = 1000 * np.array([r["usual"] for r in done])
    met = np.abs(means).max() <= 30.0
    return [
        name,
        f"{len(done)}/{total}",
        f"{means.mean():+.0f}",
        f"{np.median(np.abs(means)):.0f} / {np.abs(means).max():.0f}",
        f"{p95(done, 'error'):.0f}",
        f"{usual.mean():+.0f} / {np.abs(usual).max():.0f}",
        f"{share(done, 'covered'):.0f}",
        f"{sum(r['named'] for r in done)}",
        f"{sum(r['round'] for r in done)}",
        f"30 {'met' if met else '**not met**'} ({int((np.abs(means) <= 30.0).sum())} of "
        f"{len(done)} within)",
    ]


def by(results, key, name):
    group = [r for r in results if r.get(key) == name]
    return [r for r in group if "failed" not in r], len(group)


def grouped(results, names):
    """Measured results per voxel size, a list per rung."""
    groups = {}
    for name in names:
        done, _ = by(results, "rung", name)
        if done:
            groups.setdefault(done[0]["voxel"], []).append(done)
    return dict(sorted(groups.items()))


def document(results, names, command):
    """The whole page, Markdown."""
    names = [name for name in names if by(results, "rung", name)[0]]
    clean = [name for name in names if name.startswith("clean")]
    narrowed = [name for name in names if "narrowed" in name]
    stress = [name for name in names if name not in clean]
    seeds = sorted({r["seed"] for r in results})
    parts = [
        f"{len(seeds)} seeded roots per cell (seeds {seeds[0]} to {seeds[-1]}), written by "
        f"`{command}`. All figures are on simulated images. Half-maximum segmentation is given the "
        "true centerline and gray values; its curvature is that of its centroids, waves below 2 mm "
        "smoothed away. Levels that a measurement itself calls faded are left out of its sizes, "
        "walls and course and have a table of their own. Errors of the wall leave out the apical "
        "0.5 mm, where the root ends.",
    ]
    parts += ["### What is wanted, and whether it is met"]
    head = ("wanted", "worst rung per voxel size in mm")
    if clean:
        rows = clean_verdicts(grouped(results, clean))
        parts += ["Clean (blur 0.25 mm, signal to noise 20):", table(head, rows)]
    if stress:
        rows = stress_verdicts(grouped(results, stress))
        parts += ["Stress (every rung below that is not clean):", table(head, rows)]
    if names:
        parts += ["Stated deviations, every rung:", table(head, coverage_verdicts(
            grouped(results, names)))]  # fmt: skip
        cells = [(name, *by(results, "rung", name)) for name in names]
        parts += ["### Size", table(SIZE_HEAD, [size_row(*cell) for cell in cells])]
        parts += ["### Course", table(COURSE_HEAD, [
            course_row(name, done, done[0]["voxel"]) for name, done, _ in cells])]  # fmt: skip
        parts += ["### Wall", table(WALL_HEAD, [wall_row(n, done) for n, done, _ in cells])]
    for title, chosen in (("clean", clean), ("stress", stress)):
        for voxel, rungs in grouped(results, chosen).items():
            every = [result for done in rungs for result in done]
            parts += [f"Diameter by true diameter, {title}, {voxel} mm:", by_size(every)]
    if narrowed:
        parts += [
            "### Narrowed apex (0.12 mm)",
            "Wanted: followed within 200 µm, or reported as faded.",
            table(
                ("rung", "reported as faded", "off where not faded, mean / max µm",
                 "off where faded, max µm", "D where faded, max µm",
                 "thinnest dentin per level where faded, max µm"),
                [narrowed_rows(name, by(results, "rung", name)[0]) for name in narrowed],
            ),
        ]  # fmt: skip
    parts += other_parts(results)
    failed = [
        f"- {r.get('rung') or r.get('terminus') or r.get('section')}, seed {r['seed']}: "
        f"{r['failed']}"
        for r in results
        if "failed" in r
    ]
    if failed:
        parts += ["### Refused", "\n".join(failed)]
    return "\n\n".join(parts) + "\n"


def other_parts(results):
    parts = []
    ends = list(dict.fromkeys(r["terminus"] for r in results if "terminus" in r))
    if ends:
        parts += [
            "### Terminus found again",
            "From a click 0.3 to 1 mm off the exit, along the canal for odd seeds and across it "
            "for even ones; clean, in bone.",
            table(
                ("voxel mm", "found", "click kept and said so", "off mean / max µm",
                 "wanted at most µm"),
                [terminus_row(name, *by(results, "terminus", name)) for name in ends],
            ),
        ]  # fmt: skip
    kinds = sorted({r["section"] for r in results if "section" in r})
    if kinds:
        parts += [
            "### Sections that are no ellipse",
            "Equivalent diameter, mean over a root's levels without 1 mm at either end.",
            table(
                ("section, voxel", "measured", "bias µm", "median / max µm", "95 % of levels µm",
                 "half-max bias / max µm", "within 1 sd %", "named odd",
                 "way questioned", "wanted at most µm"),
                [section_row(name, *by(results, "section", name)) for name in kinds],
            ),
        ]  # fmt: skip
    return parts
