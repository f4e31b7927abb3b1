"""What a comparison of recordings finds."""
