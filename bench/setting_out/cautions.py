"""Cautions before drilling, lifting and wiring; printed on every siting sheet."""

from __future__ import annotations

# Common practice, no source. They remind; they don't instruct.
CAUTIONS: tuple[tuple[str, str], ...] = (
    (
        "Who decides",
        "Local codes, the equipment maker's instructions and licensed trades decide; where they "
        "differ from this sheet, they hold. The sheet says where things go, not how to build.",
    ),
    (
        "Towers tip",
        "A tower that isn't anchored falls over. Two people set it up; keep it supported until "
        "all anchors are in and tightened as its maker says.",
    ),
    (
        "Drilling",
        "Have buried cables, pipes, floor heating and tensioned slabs located before you drill. "
        "Wear eye and ear protection, draw off the dust, and wear a mask against it.",
    ),
    (
        "Mains",
        "Switch the power off, secure it against being switched on and test for it before you "
        "open or wire anything. Fixed wiring is an electrician's work.",
    ),
    (
        "Vehicles",
        "Park on level ground, brake on, wheels chocked on both sides, before anybody works "
        "around it. Nobody stands between a tower and a moving vehicle.",
    ),
    (
        "Lifts",
        "Use a lift as its maker says: rated load, lifting points, locks engaged before anyone "
        "goes beneath. Measure at rest on its locks.",
    ),
)
