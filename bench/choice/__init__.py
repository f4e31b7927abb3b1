"""Drawings compared on one plate: candidates, ranking, words, figures.

`choose` fills one plate with each drawing (`targets/fill.py`), surveys them in the same views and
compares them picture by picture; `choice/choice.py` ranks what is surely held against what may be.
"""
