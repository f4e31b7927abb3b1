"""The live bench: a page on this machine that shows at once what a change does."""
