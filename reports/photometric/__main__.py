"""The photometric solver against its bound: ``python -m reports.photometric``."""

from __future__ import annotations

from bench.cli.progress import progress_bar
from bench.provenance import now
from reports.photometric import ambiguity, figures, report, work
from reports.photometric.options import parse
from reports.photometric.setting import grid
from reports.photometric.study import Study
from reports.photometric.tables import cell_table

# Cases a cell of the survey of mirrored poses, of those of the main study.
SHARE = 0.2


def main() -> None:
    """Run the study and write its report."""
    options = parse("photometric", __doc__, 1000, "cell")
    started = now()
    few = max(2, round(SHARE * options.n))
    with progress_bar("efficiency", quiet=False) as progress:
        cases = work.run(work.tasks(grid(), options.n), options.seed, options.workers, progress)
    with progress_bar("mirrored poses", quiet=False) as progress:
        mirrored = ambiguity.survey(options.seed, few, options.workers, progress)
    study = Study(cell_table(cases), mirrored, options.n, few, options.seed, started)
    options.out.mkdir(parents=True, exist_ok=True)
    report.write(study, options.out)
    figures.write(study, options.out)
    print(f"written to {options.out}")


if __name__ == "__main__":
    main()
