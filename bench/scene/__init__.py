"""Bay files and the validated model of a bay.

Scenes are checked twice. `scene/checks.py` refuses at load what can't stand, on upright prisms
(`occupancy.py`); `solids.py` makes the meshes that sight lines (`scene/sight.py`) and pictures
(`render/gl.py`, the one file that touches pyrender) need. New keys of a bay file default to None,
so that digests of today's files stay. pyrender 0.1.45 asks for PyOpenGL 3.1.0 and uses
`numpy.infty`; `render/gl.py` and `render/osmesa.py` bridge both. Colours are computed on the CPU
and drawn flat, so that pictures stay linear.

Wheels' targets differ by their markers alone (`scene/wheel_ids.py`); `Bay.target` is what surveys
and predictions go by, `Bay.target_of` what a wheel carries. The shipped bay names no ids: its
digest is in results and tests; the starter that `bay --new` writes has them.
"""
