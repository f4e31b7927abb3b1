"""Speed and accuracy studies that write to reports/."""
