"""The uncertainty budget of toe, camber and thrust angle, first order and Monte Carlo.

The budget sends every cause through pixels: a pose answers by (JᵀJ)⁻¹Jᵀ, in each reading and in
the registration (`solve/response.py`, `budget/registration.py`), so that shared causes cancel or
add as they would. `budget/chain.py` is the measurement itself; first order and Monte Carlo both
call it. A new cause is a `Source` and a matrix in `budget/inputs.py`, a term in
`scene/budget_terms.py`, and a line in the shipped bay's comment. Checks on site state their power.
"""
