"""The live bench and the live bay: pages on this machine that show at once what a change does.

`explore` is a survey of one cell without spread: `explore/place.py` turns a state into a `Job`
whose trial 0 is the picture shown and whose trials are the run. A state is its permalink; numbers
are kept to the ten digits that keys show. A new control is a line in `explore/controls.py`, a
field of `State` and its use in `place.py`. `explore/guard.py` refuses other hosts and origins.

The bay's page (`bay_*.py`) has bay file and changes for its state: each value goes through the
file's own reader, is judged by the functions of `aim` and `site --evaluate`, and is written back
by the edits that `site` writes. Only that things stand in each other isn't refused there.
"""
