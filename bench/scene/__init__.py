"""Bay files and the validated model of a bay."""
