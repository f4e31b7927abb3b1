"""The photometric solver against its bound: ``python -m reports.photometric``."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from bench.cli.progress import progress_bar
from bench.provenance import now
from reports.photometric import ambiguity, figures, mismatch, report, work
from reports.photometric.setting import grid
from reports.photometric.study import Study
from reports.photometric.tables import cell_table

# Cases a cell of the side studies, of those of the main one.
SHARE = 0.2


def main() -> None:
    """Run the study and write its report."""
    options = parse()
    started = now()
    few = max(2, round(SHARE * options.n))
    with progress_bar("efficiency", quiet=False) as progress:
        cases = work.run(work.tasks(grid(), options.n), options.seed, options.workers, progress)
    wrong = [
        task for kind in mismatch.MISMATCHES for task in work.tasks(mismatch.CELLS, few, kind)
    ]
    with progress_bar("wrong models", quiet=False) as progress:
        misfits = work.run(wrong, options.seed, options.workers, progress)
    with progress_bar("mirrored poses", quiet=False) as progress:
        mirrored = ambiguity.survey(options.seed, few, options.workers, progress)
    times = work.run_alone(options.seed, few)
    study = Study(
        cell_table(cases),
        cases,
        mismatch.mismatch_table(misfits),
        mirrored,
        times,
        options.n,
        few,
        options.seed,
        started,
    )
    options.out.mkdir(parents=True, exist_ok=True)
    report.write(study, options.out)
    figures.write(study, options.out)
    print(f"written to {options.out}")


def parse() -> argparse.Namespace:
    """Return what the command line asks for."""
    parser = argparse.ArgumentParser(prog="python -m reports.photometric", description=__doc__)
    parser.add_argument(
        "--n", type=int, default=1000, help="pictures a cell (default %(default)s)"
    )
    parser.add_argument("--seed", type=int, default=1, help="of all random numbers")
    parser.add_argument(
        "--workers", type=int, default=os.cpu_count() or 1, help="processes (default: all cores)"
    )
    parser.add_argument(
        "--out", type=Path, default=Path("reports/photometric"), help="folder to write to"
    )
    return parser.parse_args()


if __name__ == "__main__":
    main()
