"""Teaching slides: a good view beside a spoilt one, with the cause, the edge and the lesson.

A scene is a table in `assets/scenes.toml`: a set's first one is its good view, each other one
names its one difference; a trainer's file is read alike. `judgement.py` decides what numbers allow
to be said; `assets/captions/` words it. `causes.py` has a drawing for each key that a scene can
differ in, `edges.py` the edge that it moved. A sidecar holds cases and the command that makes its
picture again, to the byte; a set goes on from its sidecars.
"""
