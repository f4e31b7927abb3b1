"""How far results differ between types of processor: ``python -m reports.processors``.

Numerical libraries pick their code by the processor's features. Told by environment variables
to leave features unused, they compute on one machine as they would on an older one. One small
survey with every pipeline is run in a process of its own for each such emulation, and its
tables are compared with those of this machine as it is.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from bench.plugins import DETECTORS, SOLVERS, available
from bench.processes import ONE_THREAD
from bench.provenance import host_facts, library_versions
from bench.scene.load import load_bay
from bench.solve.pipeline import pipeline_from_name
from bench.survey.columns import CASE_COLUMNS
from bench.survey.executors import InlineExecutor
from bench.survey.run import run_survey
from bench.survey.setup import job_of_bay
from bench.survey.store import RunStore, read_cases
from bench.survey.worker import Job, picture_of_case
from reports.photometric.report_words import paragraph, table

RANGES_M, TURNS_DEG = (4.0, 10.0, 20.0), (0.0, 30.0, 62.0)
PIPELINES_OF = ("apriltag", "aruco-subpix")  # detectors that every solver is tried on
HERE = "this machine as it is"
NO_IPP = "OpenCV without IPP"

# How to leave features of an x86-64 processor unused, library by library.
NUMPY_OLD, NUMPY_AVX2 = "X86_V3 X86_V4 AVX512_ICL AVX512_SPR", "X86_V4 AVX512_ICL AVX512_SPR"
OPENCV_OLD = "AVX512-SKX,AVX2,FMA3,FP16,AVX,SSE4.2,SSE4.1,SSSE3"
OPENCV_AVX2 = "AVX512-SKX"
C_OLD = "glibc.cpu.hwcaps=-AVX512F,-AVX2,-AVX2_Usable,-FMA,-FMA_Usable,-FMA4"
NUMBA_AVX2 = "+sse3,+ssse3,+sse4.1,+sse4.2,+popcnt,+avx,+avx2,+fma,+bmi,+bmi2,+f16c"


@dataclass(frozen=True)
class Emulation:
    """A kind of processor, or one library of it, as environment variables."""

    name: str
    environment: dict[str, str]


NUMBA_OLD = {"NUMBA_CPU_NAME": "generic", "NUMBA_CPU_FEATURES": ""}
EMULATIONS = (
    Emulation(HERE, {}),
    Emulation("the same again", {}),
    Emulation(
        "AVX2, no AVX-512 (x86-64-v3)",
        {
            "NUMBA_CPU_NAME": "haswell",
            "NUMBA_CPU_FEATURES": NUMBA_AVX2,
            "OPENBLAS_CORETYPE": "Haswell",
            "NPY_DISABLE_CPU_FEATURES": NUMPY_AVX2,
            "OPENCV_CPU_DISABLE": OPENCV_AVX2,
            "OPENCV_IPP": "avx2",
        },
    ),
    Emulation(
        "SSE alone (x86-64-v2 or less)",
        {
            **NUMBA_OLD,
            "OPENBLAS_CORETYPE": "Prescott",
            "NPY_DISABLE_CPU_FEATURES": NUMPY_OLD,
            "OPENCV_CPU_DISABLE": OPENCV_OLD,
            "OPENCV_IPP": "sse42",
            "GLIBC_TUNABLES": C_OLD,
        },
    ),
    Emulation("OpenBLAS for Skylake-X", {"OPENBLAS_CORETYPE": "SkylakeX"}),
    Emulation("OpenBLAS for Zen", {"OPENBLAS_CORETYPE": "Zen"}),
    Emulation("OpenBLAS for Prescott", {"OPENBLAS_CORETYPE": "Prescott"}),
    Emulation("Numba without features", NUMBA_OLD),
    Emulation("NumPy without features", {"NPY_DISABLE_CPU_FEATURES": NUMPY_OLD}),
    Emulation("OpenCV without features", {"OPENCV_CPU_DISABLE": OPENCV_OLD}),
    Emulation(NO_IPP, {"OPENCV_IPP": "disabled"}),
    Emulation("C library without FMA, AVX2", {"GLIBC_TUNABLES": C_OLD}),
)

# Components of the error and the standard uncertainty that the case itself claims.
CLAIMED = {
    "err_rot_x_deg": "sigma_rot_x_deg",
    "err_rot_y_deg": "sigma_rot_y_deg",
    "err_rot_z_deg": "sigma_rot_z_deg",
    "err_right_mm": "sigma_right_mm",
    "err_up_mm": "sigma_up_mm",
    "err_along_mm": "sigma_along_mm",
}
KEYS = ("key", "pipeline")
PICTURE = "picture"  # digest of its grey values


def pipelines() -> tuple[str, ...]:
    """Return every detector with one solver, and every solver with two detectors."""
    bay = load_bay(None)
    names = {f"{detector}/ippe-lm" for detector in available(DETECTORS)}
    names |= {f"{detector}/{solver}" for detector in PIPELINES_OF for solver in available(SOLVERS)}
    return tuple(sorted(n for n in names if pipeline_from_name(n).refusal(bay.target) is None))


def small_job(trials: int, seed: int) -> Job:
    """Return the survey that every emulation runs."""
    return job_of_bay(
        load_bay(None),
        ranges_m=RANGES_M,
        turns_deg=TURNS_DEG,
        trials=trials,
        seed=seed,
        pipelines=pipelines(),
    )


def run_emulated(emulation: Emulation, folder: Path, trials: int, seed: int) -> pl.DataFrame:
    """Return the table of cases of a survey in a process with an environment of its own."""
    # compiled code is kept by processor: apart, lest the user's own cache fill with others'
    environment = {**os.environ, **ONE_THREAD, **emulation.environment}
    if "NUMBA_CPU_NAME" in emulation.environment:
        environment["NUMBA_CACHE_DIR"] = str(folder.parent / "compiled")
    ask = [sys.executable, "-m", "reports.processors", "--survey", str(folder)]
    subprocess.run(
        [*ask, "--trials", str(trials), "--seed", str(seed)], env=environment, check=True
    )
    pictures = pl.read_csv(folder / "pictures.csv")
    return read_cases(folder).join(pictures, on="key", maintain_order="left")


def write_pictures(job: Job, folder: Path) -> None:
    """Write the digest of every picture's grey values."""
    rows = [
        (case.key, hashlib.blake2b(picture_of_case(case, job).grey.tobytes()).hexdigest())
        for case in job.plan.cases()
    ]
    pl.DataFrame(rows, ["key", PICTURE], orient="row").write_csv(folder / "pictures.csv")


def differences(here: pl.DataFrame, there: pl.DataFrame) -> pl.DataFrame:
    """Return one row for each column that isn't equal bit for bit: rows, largest difference."""
    rows = []
    for name, dtype in here.drop(KEYS).schema.items():
        pair = pl.DataFrame({"a": here[name], "b": there[name]})
        unlike = pair.filter(pl.col("a").ne_missing(pl.col("b")))
        if unlike.is_empty():
            continue
        largest = None
        if dtype == pl.Float64:
            gap = unlike.select((pl.col("a") - pl.col("b")).abs()).to_series()
            largest = gap.max()
        rows.append({"column": name, "rows": len(unlike), "largest": largest})
    return pl.DataFrame(rows, {"column": pl.String, "rows": pl.Int64, "largest": pl.Float64})


def against_claims(here: pl.DataFrame, there: pl.DataFrame) -> dict[str, float]:
    """Return each component's largest difference in units of the case's claimed uncertainty."""
    ok = ((here["outcome"] == "ok") & (there["outcome"] == "ok")).fill_null(False)
    found = {}
    for error, sigma in CLAIMED.items():
        share = ((here[error] - there[error]).abs() / here[sigma]).filter(ok).drop_nulls()
        found[error] = float(np.max(share.to_numpy(), initial=0.0))
    return found


def compared(name: str, here: pl.DataFrame, there: pl.DataFrame) -> dict[str, object]:
    """Return a row of the report's table."""
    unlike = differences(here, there)
    flips = int((here["outcome"] != there["outcome"]).sum())
    shares = against_claims(here, there)
    numbers = sum(c.dtype == pl.Float64 for c in CASE_COLUMNS)
    changed = unlike.filter(pl.col("largest").is_not_null())
    return {
        "emulation": name,
        "rows": len(here),
        "pictures_differ": int((here[PICTURE] != there[PICTURE]).sum())
        // here["pipeline"].n_unique(),
        "columns_of_numbers": numbers,
        "columns_equal": numbers - len(changed),
        "points_differ": int((here["n_points"] != there["n_points"]).sum()),
        "outcomes_differ": flips,
        **{f"{error}_of_sigma": share for error, share in shares.items()},
    }


def by_pipeline(here: pl.DataFrame, there: pl.DataFrame) -> pl.DataFrame:
    """Return each pipeline's rows that differ, flips and largest difference over sigma."""
    rows = []
    for name in here["pipeline"].unique().sort():
        a, b = (f.filter(pl.col("pipeline") == name) for f in (here, there))
        unlike = [a[error].ne_missing(b[error]).to_numpy() for error in (*CLAIMED, "outcome")]
        rows.append(
            {
                "pipeline": name,
                "rows": len(a),
                "rows_differ": int(np.any(unlike, axis=0).sum()),
                "outcomes_differ": int((a["outcome"] != b["outcome"]).sum()),
                "largest_of_sigma": max(against_claims(a, b).values()),
            }
        )
    return pl.DataFrame(rows)


def main() -> None:
    """Run the emulations and write the report, or run the survey of one of them."""
    options = parse()
    job = small_job(options.trials, options.seed)
    if options.survey:
        run_survey(job, RunStore(options.survey), InlineExecutor())
        write_pictures(job, options.survey)
        return
    tables = {}
    for i, emulation in enumerate(EMULATIONS):
        print(f"{i + 1} of {len(EMULATIONS)}: {emulation.name}", flush=True)
        folder = options.work / f"{job.plan.digest}-{i}"
        tables[emulation.name] = run_emulated(emulation, folder, options.trials, options.seed)
    write(options.out, tables, job, options)
    print(f"written to {options.out}")


def write(
    out: Path, tables: dict[str, pl.DataFrame], job: Job, options: argparse.Namespace
) -> None:
    """Write the report and its tables."""
    here = tables[HERE]
    others = {name: cases for name, cases in tables.items() if name != HERE}
    found = pl.DataFrame([compared(name, here, cases) for name, cases in others.items()])
    columns = pl.concat(
        differences(here, cases).select(pl.lit(name).alias("emulation"), pl.all())
        for name, cases in others.items()
    )
    each = pl.concat(
        by_pipeline(here, cases).select(pl.lit(name).alias("emulation"), pl.all())
        for name, cases in others.items()
    )
    out.mkdir(parents=True, exist_ok=True)
    for name, frame in (("emulations", found), ("columns", columns), ("pipelines", each)):
        frame.write_csv(out / f"{name}.csv")
    (out / "README.md").write_text(_text(found, each, job, options), encoding="utf-8")


def _verdict(found: pl.DataFrame) -> str:
    shares = [name for name in found.columns if name.endswith("_of_sigma")]
    # every x86-64 processor has IPP's code, in this build of OpenCV; others have none of it
    x86 = found.filter(pl.col("emulation") != NO_IPP)
    most, without = (
        max(float(frame[name].max()) for name in shares)  # type: ignore[arg-type]
        for frame in (x86, found.filter(pl.col("emulation") == NO_IPP))
    )
    flips, pictures = int(found["outcomes_differ"].sum()), int(found["pictures_differ"].sum())
    return paragraph(
        f"Of {int(found['rows'].sum())} rows in all emulations {flips} had another outcome, and",
        f"{pictures} pictures differed by any grey value. Among emulated x86-64 processors the",
        f"largest difference of an error is {most:.1g} of its claimed standard uncertainty;",
        f"without IPP, which OpenCV has on x86-64 alone, {without:.1g}. Differences come from",
        "OpenBLAS (sums in another order, at rounding level, which solvers that iterate stop a",
        "little elsewhere for) and from OpenCV's own code for sub-pixel corners.",
    )


def _text(found: pl.DataFrame, each: pl.DataFrame, job: Job, options: argparse.Namespace) -> str:
    shares = [name for name in found.columns if name.endswith("_of_sigma")]
    rows = [
        (
            row["emulation"],
            f"{row['columns_equal']} of {row['columns_of_numbers']}",
            row["pictures_differ"],
            row["points_differ"],
            row["outcomes_differ"],
            *(f"{row[name]:.1g}" for name in shares),
        )
        for row in found.iter_rows(named=True)
    ]
    head = (
        "emulated",
        "columns equal",
        "pictures differ",
        "points differ",
        "outcomes differ",
        *(
            name.removeprefix("err_").removesuffix("_of_sigma").rpartition("_")[0]
            for name in shares
        ),
    )
    worst = (
        each.group_by("pipeline")
        .agg(
            pl.col("rows").first(),
            pl.col("rows_differ").max(),
            pl.col("outcomes_differ").max(),
            pl.col("largest_of_sigma").max(),
        )
        .sort("largest_of_sigma", descending=True)
    )
    lines = [(a, f"{b} of {n}", c, f"{d:.1g}") for a, n, b, c, d in worst.iter_rows()]
    host = host_facts()
    libraries = ", ".join(f"{name} {value}" for name, value in library_versions())
    setting = paragraph(
        f"Ranges {', '.join(f'{v:g}' for v in RANGES_M)} m, turns",
        f"{', '.join(f'{v:g}' for v in TURNS_DEG)} deg, {job.plan.trials} trials a cell, seed",
        f"{job.plan.seed}: {job.plan.n_pictures} pictures of the shipped bay's target,",
        f"{len(job.plan.pipelines)} pipelines, {job.plan.n_rows} rows. Emulated by environment",
        "variables of the libraries, on one machine: what another one's own arithmetic does is",
        "not tried, only the code that its libraries would pick.",
    )
    return f"""# The same survey on other types of processor

{setting}

{_verdict(found)}

## Emulation by emulation

Columns of numbers that are equal bit for bit; pictures of which any grey value differs; rows of
which the number of points, or the outcome, differs; largest difference of each component of the
error, in units of the standard uncertainty that the case itself claims.

{table(head, rows)}

## Pipeline by pipeline

The worst of all emulations.

{table(("pipeline", "rows that differ", "outcomes differ", "largest difference, sigma"), lines)}

## Make it again

```sh
python -m reports.processors --trials {options.trials}
```

{host["processor"]}, {host["cores"]} cores, Python {host["python"]}; {libraries}.
`columns.csv` has every column that differs, `pipelines.csv` every pipeline in every emulation.
"""


def parse() -> argparse.Namespace:
    """Return what the command line asks for."""
    parser = argparse.ArgumentParser(prog="python -m reports.processors", description=__doc__)
    parser.add_argument("--trials", type=int, default=8, help="a cell (default %(default)s)")
    parser.add_argument("--seed", type=int, default=1, help="of all random numbers")
    parser.add_argument("--work", type=Path, default=Path("sightbench-processors"), help="folder")
    parser.add_argument("--out", type=Path, default=Path("reports/processors"), help="folder")
    parser.add_argument("--survey", type=Path, help=argparse.SUPPRESS)
    return parser.parse_args()


if __name__ == "__main__":
    main()
