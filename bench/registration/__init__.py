"""Registration of two towers by a bar, and level: plans, rehearsals, solutions, figures."""
