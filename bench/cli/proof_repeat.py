"""`sightbench proof repeat`: tell whether a wheel reads the same, whoever measures it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import numpy as np
import polars as pl
import typer
from scipy import stats

from bench.cli.options import BayArgument, OutOption, SeedOption
from bench.cli.proof_common import TableArgument, within, write_proof
from bench.errors import ConfigError
from bench.files import make_directory, write_atomically
from bench.proof.repeat import POOL_ABOVE, Design, Study, arrange, evaluate
from bench.proof.table import read_rows
from bench.scene.load import load_bay
from bench.scene.model import Bay
from bench.survey import provenance

DEFAULT_OUT = Path("sightbench-proof-repeat")
READINGS_FILE = "repeat-readings.csv"
QUANTITIES = ("toe", "camber")
FAILS, UNDECIDED = 1, 3
WHEELS = ("front left", "front right", "rear left", "rear right")

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Measure the same wheels again and again: re-clamped, rolled, by other operators.",
)


@app.command("plan")
def plan_command(
    bay: BayArgument = None,
    wheel: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="May be given several times.", show_default="four"),
    ] = None,
    operator: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="May be given several times.", show_default="A, B, C"),
    ] = None,
    repeats: Annotated[int, typer.Option(min=2, max=100, help="Readings of each pair.")] = 3,
    seed: SeedOption = None,
    out: OutOption = DEFAULT_OUT,
) -> None:
    """Write the order in which to measure, and say what the study can show.

    Every operator measures every wheel so many times, in rounds of random order. Before each
    reading the clamp is taken off and put on again and the vehicle is rolled. Fill in the columns
    toe_deg and camber_deg of repeat-readings.csv.

    For instance:

      sightbench proof repeat plan --operator Kim --operator Alex --operator Robin --repeats 4
    """
    started = provenance.now()
    site = load_bay(bay)
    design = Design(tuple(wheel or WHEELS), tuple(operator or ("A", "B", "C")), repeats)
    chosen = site.survey.seed if seed is None else seed
    order = design.order(chosen)
    low, high = design.repeatability_interval()
    ratio = design.detectable_ratio()
    typer.echo(
        f"{len(order)} readings: {len(design.wheels)} wheels, {len(design.operators)} operators, "
        f"{repeats} each, in {repeats} rounds of random order (seed {chosen})."
    )
    typer.echo(
        f"Repeatability will be known to between {low:.2f} and {high:.2f} times its estimate "
        "(95 %)."
    )
    for trial in (0.5, 1.0, 2.0):
        power = design.operator_power(trial)
        typer.echo(
            f"Operators that scatter {trial:g} times as much as one repeats are shown to differ "
            f"with {100 * power:.0f} % chance."
        )
    typer.echo(
        f"With 80 % chance: from {ratio:.2f} times on. All at 5 % of false alarms, without "
        "interaction. More operators help most."
    )
    make_directory(out)
    blank = "round,wheel,operator,toe_deg,camber_deg\n" + "".join(
        f"{repeat},{_quoted(name)},{_quoted(who)},,\n" for name, who, repeat in order
    )
    write_atomically(out / READINGS_FILE, blank.encode())
    typer.echo(f"Wrote to {out}: {READINGS_FILE}.")
    table = pl.DataFrame(
        [{"round": repeat, "wheel": name, "operator": who} for name, who, repeat in order]
    )
    content = {
        "seed": chosen,
        "repeatability_factor_95": [low, high],
        "detectable_operator_ratio_80": ratio,
    }
    write_proof(out, "repeat-plan", table, content, site, started)


@app.command("evaluate")
def evaluate_command(
    table: TableArgument,
    bay: BayArgument = None,
    pool: Annotated[
        float,
        typer.Option(
            metavar="P",
            help="An interaction of wheel and operator less significant than this p-value counts "
            "as repetition; 1 never does.",
        ),
    ] = POOL_ABOVE,
    confidence: Annotated[float, typer.Option(metavar="RATE", help="Of the intervals.")] = 0.95,
    out: OutOption = DEFAULT_OUT,
) -> int:
    """Split the scatter of readings into repetition, operators, their interaction and wheels.

    TABLE has the columns wheel, operator, toe_deg, camber_deg, and round if you like. A crossed
    analysis of variance with random effects; every component with its interval. The gauge
    (repetition, operators and interaction together), expanded by the factor of a normal
    distribution, is held against [tolerance] toe and camber: inside where its interval's upper
    end is, outside where its lower end is.

    Ends with 0 where both quantities are inside, 1 where one is outside, 3 where neither can be
    said, or no repeated reading differs from the one before.
    """
    started = provenance.now()
    site = load_bay(bay)
    within("pool", pool, 0.0, 1.0)
    within("confidence", confidence, 0.5, 0.999)
    columns = tuple(f"{name}_deg" for name in QUANTITIES)
    rows = read_rows(table, ("wheel", "operator"), columns, ("round",))
    frames, answers, content = [], [], {}
    for name, column in zip(QUANTITIES, columns, strict=True):
        triples = [(t["wheel"], t["operator"], numbers[column]) for t, numbers in rows]
        design, readings = arrange(triples, str(table))
        study = evaluate(design, readings, confidence, pool)
        answer, words = _verdict(name, study, site)
        if not np.any(np.ptp(readings, axis=2)):
            answer = "undecided"
            words = (
                f"{name}: undecided, no repeated reading differs: rounded too coarsely, or copied"
            )
        _print(name, study, words)
        answers.append(answer)
        frames.append(_frame(name, study))
        content[name] = {
            "verdict": answer,
            "words": words,
            "p_operator": study.p_operator,
            "p_interaction": study.p_interaction,
            "pooled": study.pooled,
            "mean_squares": study.mean_squares,
        }
    write_proof(out, "repeat-result", pl.concat(frames), content, site, started)
    if "outside" in answers:
        return FAILS
    return UNDECIDED if "undecided" in answers else 0


def _verdict(name: str, study: Study, bay: Bay) -> tuple[str, str]:
    gauge = study.component("gauge")
    k = float(stats.norm.isf(0.025))
    tolerance = math.degrees(getattr(bay.tolerance, name))
    size, low, high = k * gauge.sigma, k * math.sqrt(gauge.low), k * math.sqrt(gauge.high)
    answer = "inside" if high <= tolerance else "outside" if low > tolerance else "undecided"
    return answer, (
        f"{name}: {answer}, gauge {size:.4f} deg ({low:.4f} to {high:.4f}, k = {k:.2f}) of "
        f"{tolerance:.3f}"
    )


def _print(name: str, study: Study, words: str) -> None:
    typer.echo(f"{name}, standard deviations in degrees ({100 * study.confidence:g} % intervals)")
    for component in study.components:
        typer.echo(f"  {component.words}")
    pooled = "; taken for repetition" if study.pooled else ""
    typer.echo(
        f"  operators differ: p = {study.p_operator:.3g}; wheel by operator: p = "
        f"{study.p_interaction:.3g}{pooled}"
    )
    typer.echo(words)


def _frame(name: str, study: Study) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {
                "quantity": name,
                "component": c.name,
                "variance_deg2": c.variance,
                "sigma_deg": c.sigma,
                "sigma_low_deg": math.sqrt(c.low),
                "sigma_high_deg": math.sqrt(c.high),
                "negative": c.variance < 0.0,
            }
            for c in study.components
        ]
    )


def _quoted(text: str) -> str:
    if any(ord(c) < 32 for c in text) or not text.strip():
        raise ConfigError("repeat: a name must be one line and not empty")
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in ',"') else text
