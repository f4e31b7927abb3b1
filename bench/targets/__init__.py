"""Target designs as vector drawings, and true-scale print sheets of them."""
