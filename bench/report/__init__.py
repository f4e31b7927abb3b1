"""The report people look at: one HTML file with everything inside, and a PDF of the same."""
