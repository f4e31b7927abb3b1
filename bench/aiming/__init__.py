"""A tower aimed by its own pictures: whose targets they show, and how to turn and tip it.

`aim --photo` and `--watch` (`aiming/`) place found targets on wheels by ranges and the angles
between them, never by their ids alone, so that a swapped one shows; yaw and pitch then follow as
for a bay as built. A column's lean rolls the picture and moves the camera, and what both do to two
targets' places all but cancels (6 % is left in the shipped bay): it is taken from how plates look,
hung upright, and below 0.3 deg it isn't told. The page shows no number that the words don't.
"""
