"""An external pipeline in Python: OpenCV's ArUco detector, corners only, nothing of the bench.

Try it: sightbench conform --command "python assets/examples/external/aruco_adapter.py"
"""

import json
import sys

import cv2
import numpy as np


def answer(request: dict) -> dict:
    """Return the corners of the target's markers, by the point's name."""
    target, picture = request["target"], request["picture"]
    if not target["dictionary"]:
        return {"error": f"looks for markers, not for a {target['kind']}"}
    if not hasattr(cv2.aruco, target["dictionary"]):
        return {"error": f"OpenCV doesn't read {target['dictionary']}"}
    grey = cv2.imread(request["image"], cv2.IMREAD_UNCHANGED)
    if grey.dtype == np.uint16:
        grey = np.rint(grey * (255.0 / picture["full_scale"])).astype(np.uint8)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    book = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, target["dictionary"]))
    found, ids, _ = cv2.aruco.ArucoDetector(book, parameters).detectMarkers(grey)
    read = [] if ids is None else [int(i) for i in ids.ravel()]
    corners = {
        f"{marker_id}.{k}": [float(u), float(v)]
        for marker_id, four in zip(read, found, strict=True)
        if marker_id in target["marker_ids"]
        for k, (u, v) in enumerate(four.reshape(4, 2))
    }
    if not corners:
        return {"missed": True, "marker_ids": read}
    return {"corners": corners, "sigma_px": 0.05}


for line in sys.stdin:  # until the bench closes it
    request = json.loads(line)
    print(json.dumps({"id": request["id"], **answer(request)}), flush=True)
