"""What pipelines make of published pictures."""
