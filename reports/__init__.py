"""Generated examples, each beside its study: ``python -m reports.NAME`` at the top."""
