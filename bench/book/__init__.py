"""The bay book: one folder for one bay from first idea to hand-over.

`sightbench book DIR` keeps nothing: `book/shelf.py` reads every envelope below the folder (what is
foreign or damaged gets a line), `bay_files.py` finds the bay file as asked, as sited and as built,
and a function a stage in `planning.py` and `measuring.py` says where the stage stands. What
depends on a whole bay file (siting, aim, budget) is out of date when its digest changes; what
depends on parts (registration, level, proofs, wheels) when those or the result it was made with
do. The latest result of a kind counts; a command that would make it anew names a new folder. A new
stage is a function and a line in `book.py`.
"""
