"""The drawing vocabulary that all rooms share: style, pages, marks, heat maps.

Pictures have one look (`draw/style.py`); colour never stands alone. Pages are set from measured
text, and a test draws every figure on eleven odd grids and fails on any overlap.
"""
