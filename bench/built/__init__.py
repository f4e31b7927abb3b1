"""A bay as it will be built: its own imperfections drawn, rendered and propagated."""
