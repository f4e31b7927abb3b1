"""The uncertainty budget of toe, camber and thrust angle, first order and Monte Carlo."""
