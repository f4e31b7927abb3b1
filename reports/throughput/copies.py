"""One of several independent copies: surveys when told to, and says how long each took."""

from __future__ import annotations

import json
import os
import sys

from bench.processes import ONE_THREAD
from bench.survey.executors import ProcessExecutor
from reports.throughput.surveys import job_of_grid, timed_survey, warm


def main() -> None:
    """Read a line, survey, write a line, until the input ends."""
    os.environ.update(ONE_THREAD)
    job = job_of_grid(int(sys.argv[1]))
    with warm(ProcessExecutor(1), job, 1) as executor:
        print("ready", flush=True)
        for _ in sys.stdin:
            print(json.dumps({"seconds": timed_survey(job, executor)[0]}), flush=True)


if __name__ == "__main__":
    main()
