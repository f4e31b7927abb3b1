"""How fast the bench is, and where its time goes."""
