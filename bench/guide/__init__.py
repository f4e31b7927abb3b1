"""What follows for the bay: siting, aim, tolerances, registration, budget, proof on site."""
