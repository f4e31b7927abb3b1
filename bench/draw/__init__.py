"""The drawing vocabulary that all rooms share: style, pages, marks, heat maps."""
