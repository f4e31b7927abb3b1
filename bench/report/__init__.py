"""The report people look at: one HTML file with everything inside, and a PDF of the same.

A report holds everything: its style and script, cells as JSON (escaped, so that no name can end
the script), pictures as WebP with the detection as vector marks. Equal runs give equal bytes. A
section for another command is a function in `report/other_runs.py` and an option in
`cli/report.py`.
"""
