"""A camera measured from its own pictures, and the bench's picture of it held against them."""
