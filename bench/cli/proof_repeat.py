"""`sightbench proof repeat`: tell whether a wheel reads the same, whoever measures it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from bench.cli.options import (
    BayArgument,
    OutOption,
    RuleOption,
    SeedOption,
    TableArgument,
    option,
    ruled,
)
from bench.cli.origin import origin_of
from bench.cli.saying import say, say_written
from bench.defaults import POOL_ABOVE
from bench.tables import numbers, read_table, texts

DEFAULT_OUT = Path("sightbench-proof-repeat")
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
        list[str] | None, option("NAME", "May be given several times.", "four")
    ] = None,
    operator: Annotated[
        list[str] | None, option("NAME", "May be given several times.", "A, B, C")
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
    from bench.proof.files import write_proof, write_repeat_readings
    from bench.proof.repeat import Design
    from bench.proof.repeat_words import order_table, plan_words
    from bench.scene.load import load_bay

    site = load_bay(bay)
    design = Design(tuple(wheel or WHEELS), tuple(operator or ("A", "B", "C")), repeats)
    chosen = site.survey.seed if seed is None else seed
    order = design.order(chosen)
    say(plan_words(design, chosen))
    say_written(out, write_repeat_readings(out, order))
    low, high = design.repeatability_interval()
    content = {
        "seed": chosen,
        "repeatability_factor_95": [low, high],
        "detectable_operator_ratio_80": design.detectable_ratio(),
    }
    table = order_table(order)
    say_written(out, write_proof(out, "repeat-plan", table, content, origin_of(site)))


@app.command("evaluate")
def evaluate_command(
    table: TableArgument,
    bay: BayArgument = None,
    pool: Annotated[
        float,
        option(
            "P",
            "An interaction of wheel and operator less significant than this p-value counts "
            "as repetition; 1 never does.",
            min=0.0,
            max=1.0,
        ),
    ] = POOL_ABOVE,
    confidence: Annotated[float, option("RATE", "Of the intervals.", min=0.5, max=0.999)] = 0.95,
    rule: RuleOption = None,
    out: OutOption = DEFAULT_OUT,
) -> int:
    """Split the scatter of readings into repetition, operators, their interaction and wheels.

    TABLE has the columns wheel, operator, toe_deg, camber_deg, and round if you like. A crossed
    analysis of variance with random effects; every component with its interval. The gauge
    (repetition, operators and interaction together), expanded by the factor of a normal
    distribution, is held against [tolerance] toe and camber by the bay's decision rule: with a
    guard band it is inside where its interval's upper end is, outside where its lower end is.

    Ends with 0 where both quantities are inside, 1 where one is outside, 3 where neither can be
    said, or no repeated reading differs from the one before.
    """
    import polars as pl

    from bench.proof.files import write_proof
    from bench.proof.repeat import arrange, evaluate
    from bench.proof.repeat_words import components_table, gauge_verdict, study_words
    from bench.scene.load import load_bay

    site = ruled(load_bay(bay), rule)
    columns = tuple(f"{name}_deg" for name in QUANTITIES)
    known = (
        *texts("wheel", "operator"),
        *numbers(*columns, within=(-90.0, 90.0)),
        *texts("round", optional=True),
    )
    # rounded readings repeat honestly, though not in the same round
    rows = read_table(table, known, key=("round", "wheel", "operator"), counter="round")
    frames, answers = [], []
    content: dict[str, Any] = {"decision_rule": site.tolerance.rule_words}
    for name, column in zip(QUANTITIES, columns, strict=True):
        triples = [(r.texts["wheel"], r.texts["operator"], r.numbers[column]) for r in rows]
        design, readings = arrange(triples, str(table))
        study = evaluate(design, readings, confidence, pool)
        answer, words = gauge_verdict(name, study, site, readings)
        say([*study_words(name, study), words])
        answers.append(answer)
        frames.append(components_table(name, study))
        content[name] = {
            "verdict": answer,
            "words": words,
            "p_operator": study.p_operator,
            "p_interaction": study.p_interaction,
            "pooled": study.pooled,
            "mean_squares": study.mean_squares,
        }
    say([f"Decision rule: {site.tolerance.rule_words}."])
    table_found = pl.concat(frames)
    say_written(out, write_proof(out, "repeat-result", table_found, content, origin_of(site)))
    if "outside" in answers:
        return FAILS
    return UNDECIDED if "undecided" in answers else 0
