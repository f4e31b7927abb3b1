"""Teaching pictures of good and bad views: scenes, numbers, words, cards, sheets.

A scene is a line in `teaching/scenes.py`; `judgement.py` decides what its
numbers allow to be said; `assets/captions/` words it, and a scene's `why` must hold whatever the
numbers are. Tests refuse missing keys, differing placeholders and text beyond the card. One camera
pixel is one dot at 220 dpi. Every sidecar holds the command that makes its picture again, to the
byte.
"""
