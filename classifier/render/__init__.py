"""Rendered chicken heads with their truth, to train and test the reader (extra `[render]`)."""
