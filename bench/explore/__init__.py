"""The live bench: a page on this machine that shows at once what a change does.

`explore` is a survey of one cell without spread: `explore/place.py` turns a state into a `Job`
whose trial 0 is the picture shown and whose trials are the run. A state is its permalink; numbers
are kept to the ten digits that keys show. A new control is a line in `explore/controls.py`, a
field of `State` and its use in `place.py`. `explore/guard.py` refuses other hosts and origins.
"""
