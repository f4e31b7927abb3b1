"""Baselines, comparison and verdicts; other people's pipelines, their tests and conformance.

`verify` draws the cases of a suite (TOML) from its seed and their keys, records a line a case, and
compares pairs. Suites of `schema_version` 2 are as built, case k of every group of bay k; those of
version 1 stay as drawn. A test is an entry in `verify/effects.py`; it must not change when old and
new are swapped, which is what makes sign flips exact. Every new test takes its share of `ALPHA`:
run `python -m reports.verify.power` again. Changing a shipped suite changes its digest and retires
its baselines.
"""
